"""A folder as a subscriber: one JSON file for each notice, whole or not there.

Owns: the files' names and content. Must not: read or remove what lies there; whoever listens does.
"""

import json
from collections.abc import Collection

from syncd.journal.notices import NoticeRow
from syncd.notices.events import event_json
from syncd.notices.subscriber import KINDS_DEFAULT, Outcome
from syncd.ports import Disk

_SEQUENCE_DIGITS = 19


class DropFileSubscriber:
    """Puts files into folder, which must be there. A repeat has the same name and content.

    While a file is being written, its name begins with a dot.
    """

    def __init__(
        self,
        name: str,
        folder: str,
        node: str,
        disk: Disk,
        *,
        kinds: Collection[str] = KINDS_DEFAULT,
    ) -> None:
        self.name = name
        self.kinds = tuple(kinds)
        self._folder = folder
        self._node = node
        self._disk = disk

    async def deliver(self, notice: NoticeRow, path: str) -> Outcome:
        """Write the notice's file. It is durable when this returns."""
        data = json.dumps(event_json(notice) | {"path": path}).encode() + b"\n"
        try:
            await self._disk.aside(self._put, file_name(notice, self._node), data)
        except OSError as error:
            note = f"no file can be put into {self._folder}: {error.strerror or error}"
            return Outcome(delivered=False, note=note)
        return Outcome(delivered=True)

    def _put(self, name: str, data: bytes) -> None:
        folder = self._disk.open_folder(self._folder)
        try:
            folder.replace_file(name, data)
        finally:
            folder.close()


def file_name(notice: NoticeRow, node: str) -> str:
    """Return a name that sorts by time on one box, and is like no other box's.

    Of node's name, digits and the kind, which are all plain ASCII; nothing of a roll's.
    """
    return f"{node}-{notice.seq:0{_SEQUENCE_DIGITS}}-{notice.kind}.json"
