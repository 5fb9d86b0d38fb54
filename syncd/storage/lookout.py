"""Looks whether this box's own storage is there, and says so when it goes and when it is back.

Owns: one event and one line of the log for each change; rolls are held by others, and one by one.
Must not: change anything there, or hold a roll.
"""

import logging

from syncd.errors import HeldError
from syncd.journal import notices
from syncd.journal.journal import Journal, JournalError
from syncd.limits import SELF_CURE_RETRY_S
from syncd.ports import Ports
from syncd.repeats import Repeats
from syncd.storage.area import Area

log = logging.getLogger(__name__)


class Lookout:
    """Looks at one storage until cancelled.

    trouble: why nothing can be written there now, as found by the last look; None if something can.
    """

    def __init__(self, area: Area, journal: Journal, ports: Ports, *, own_name: str) -> None:
        self.trouble: HeldError | None = None
        self._area = area
        self._journal = journal
        self._ports = ports
        self._own_name = own_name
        self._repeats = Repeats(log, ports.clock)
        self._told: str | None = None  # the code that was told last

    async def run(self) -> None:
        """Look every few seconds; tell every change once."""
        while True:
            self.trouble = await self._ports.disk.aside(self._area.trouble)
            if self.trouble is not None:
                self._repeats.trouble("storage", str(self.trouble))
            else:
                self._repeats.well("storage", self._back())
            await self._tell()
            await self._ports.clock.sleep(SELF_CURE_RETRY_S)

    async def _tell(self) -> None:
        """Put a change into the outbox; a journal that fails now is asked at the next look."""
        now = self.trouble
        code = None if now is None else now.code.value
        if code == self._told:
            return
        kind = code or "well-again"
        note = self._back() if now is None else str(now)
        data = {"code": code or self._told, "remedy": "" if now is None else now.remedy}
        try:
            await self._ports.disk.aside(self._add, kind, note, data)
        except JournalError as error:
            self._repeats.trouble("journal", str(error))
            return
        self._told = code

    def _add(self, kind: str, note: str, data: dict[str, str | None]) -> None:
        now_utc_ms = self._ports.clock.utc_ms()
        with self._journal.write() as db:
            body = {"peer": self._own_name, **data}
            notices.add(db, None, kind, now_utc_ms=now_utc_ms, note=note, data=body)

    def _back(self) -> str:
        return f"The storage {self._area.path} can be written again."
