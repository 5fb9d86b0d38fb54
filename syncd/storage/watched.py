"""Files for which published rolls are held: whether one is another file by now.

Owns: what each was when it was looked at last. Must not: read one; whoever asks does.
"""

from collections.abc import Collection

from syncd.journal.rolls import RollRow
from syncd.ports import Entry
from syncd.storage.area import Area
from syncd.storage.layout import file_at
from syncd.storage.troubles import storage_trouble


class Watched:
    """The files for which rolls are held, one of each roll."""

    def __init__(self, area: Area) -> None:
        self._area = area
        self._read: dict[str, tuple[str, Entry | None]] = {}
        self._last: dict[str, Entry | None] = {}

    def is_changed(self, row: RollRow) -> bool:
        """Tell whether a roll's file is another one than when it was read, and still for a look.

        What nobody has read since the start is as it was then. Raises HeldError.
        """
        path = held_path(row)
        now = self.entry(row, path)
        is_still = self._last.get(row.roll_id, now) == now
        self._last[row.roll_id] = now
        read = self._read.get(row.roll_id)
        if read is None or read[0] != path:
            self._read[row.roll_id] = path, now
            return False
        return is_still and now != read[1]

    def note_read(self, row: RollRow, path: str, before: Entry | None) -> None:
        """Remember what a file was before it was read and found wrong."""
        self._read[row.roll_id] = path, before

    def entry(self, row: RollRow, path: str) -> Entry | None:
        """Return what a roll's file is now. Raises HeldError."""
        try:
            folder = self._area.present()
            return file_at(folder, f"{row.published_path}/{path}") if path else None
        except OSError as error:
            raise storage_trouble(self._area.path, error) from error

    def keep(self, roll_ids: Collection[str]) -> None:
        """Forget all other rolls."""
        for roll_id in (self._read.keys() | self._last.keys()) - set(roll_ids):
            self._read.pop(roll_id, None)
            self._last.pop(roll_id, None)


def held_path(row: RollRow) -> str:
    """Return the file for which a roll is held, "" if for none."""
    return (row.held.path if row.held is not None else None) or ""
