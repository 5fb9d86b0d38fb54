"""Watches over the open journal: that its file stays where it is, and that it can be written.

Owns: noticing within seconds that the file was moved, removed or replaced, and going on in a new
one with all that the open one has. Must not: end the daemon, but for a file that is damaged.
"""

import logging
from pathlib import Path

from syncd.errors import SyncdError
from syncd.journal import failures, notices
from syncd.journal.journal import Journal
from syncd.journal.opening import NAME, NOTICE_KIND, keep_aside, leave_note
from syncd.limits import JOURNAL_LOOK_S
from syncd.ports import Clock, Disk, Folder

log = logging.getLogger(__name__)

_COPY_NAME = f"{NAME}.new"


class JournalGuard:
    """Looks every JOURNAL_LOOK_S until cancelled. Raises JournalBrokenError: start anew."""

    def __init__(self, journal: Journal, state: Path, folder: Folder, clock: Clock, disk: Disk):
        self._journal = journal
        self._state = state
        self._folder = folder
        self._clock = clock
        self._disk = disk
        self._told = ""
        self._wal = self._wal_now()

    async def run(self) -> None:
        """Watch until cancelled."""
        while True:
            await self._clock.sleep(JOURNAL_LOOK_S)
            await self._disk.aside(self.look)

    def look(self) -> None:
        """Look once, and put right what can be. Raises JournalBrokenError."""
        if not self._folder.is_still_at_its_path():
            self._journal.lose("is no longer there: its folder was moved or removed")
        elif not self._journal.is_in_place():
            is_gone = self._folder.stat(NAME) is None
            what = "was moved or removed" if is_gone else "was replaced by something else"
            self._bring_back(what)
        elif self._wal is not None and self._wal_now() != self._wal:
            self._bring_back("has lost its -wal file")
        else:
            self._journal.find()
            if self._journal.is_well():
                self._wal = self._wal_now()
        problem = self._journal.problem
        if self._journal.is_broken:
            raise failures.broken(str(self._state / NAME), problem)
        if problem != self._told:
            log.error("%s", problem or "the journal can be written again")
            self._told = problem

    def _wal_now(self) -> int | None:
        """Return the inode of the -wal file; an open journal has one from its first write on."""
        there = self._folder.stat(f"{NAME}-wal")
        return None if there is None else there.inode

    def _bring_back(self, what: str) -> None:
        now = self._clock.utc_ms()
        try:
            kept = self._go_on(now)
        except (OSError, SyncdError) as error:
            self._journal.lose(f"{what}, and a copy of it cannot be put in its place ({error})")
            return
        text = (
            f"The journal {self._state / NAME} {what} while syncd ran. It goes on in a new file "
            "with all that the old one had."
            + (f" Kept: {', '.join(kept)}." if kept else "")
            + " Find out who does that, and copy a journal only while syncd is stopped."
        )
        log.error("%s", text)
        self._wal = self._wal_now()
        with self._journal.write() as db:
            notices.add(db, None, NOTICE_KIND, now_utc_ms=now, note=text, data={"kept": list(kept)})
        leave_note(self._folder, text, now)

    def _go_on(self, now_utc_ms: int) -> tuple[str, ...]:
        """Go on in a copy of the open journal; return what was kept of what lay in its place."""
        for suffix in ("", "-journal", "-wal"):
            if self._folder.stat(_COPY_NAME + suffix) is not None:
                self._folder.remove_file(_COPY_NAME + suffix)  # our own, of an earlier attempt
        kept: tuple[str, ...] = ()

        def put_in_place() -> None:
            nonlocal kept
            kept = keep_aside(self._folder, "replaced", now_utc_ms)
            self._folder.rename_new(_COPY_NAME, NAME)
            self._folder.sync_folder()

        self._journal.go_on_in(self._state / _COPY_NAME, put_in_place)
        return kept
