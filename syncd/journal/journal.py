"""The journal: one SQLite file, one connection, one transaction at a time.

Owns: opening (and refusing to open), migrations, the lock, the transaction, telling subscribers
after a commit, and what a failing disk does to an open journal. What is in the tables is for rolls,
parcels, notices and settings; what becomes of a broken or lost file is for opening.py and guard.py.
Must not: read a clock; every time is passed in.

After a failed write or sync the system may call the same pages clean, so the connection is closed,
and the file opened and checked anew before its next use; until that works nothing is taken on.

Blocking: everything here may wait for the disk; on the event loop it runs aside.
"""

import contextlib
import os
import sqlite3
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from sqlite3 import Connection
from types import TracebackType
from typing import Self

from syncd.errors import ConfigError
from syncd.journal import connecting, failures, settings
from syncd.journal.failures import JournalBrokenError, JournalError

__all__ = ["Connection", "Journal", "JournalBrokenError", "JournalError"]

# As often as SQLite would by itself with small commits; and see mark_wal().
COMMITS_PER_CHECKPOINT = 250


class Journal:
    """An open journal; None as path keeps it in memory.

    file_system: the type of file system below path, if known; network ones are refused.
    journal_id: what a new journal is called in its notices' ids; random unless given.
    box: the fingerprint of the box that it belongs to from now on; "" leaves what is there.

    Raises ConfigError if the file is broken, in use, newer than this syncd, or on a network.
    """

    def __init__(
        self, path: Path | None, *, file_system: str = "", journal_id: str = "", box: str = ""
    ) -> None:
        connecting.check_file_system(path, file_system)
        self._path = path
        self._shown = str(path) if path else "the journal in memory"
        self._lock = threading.RLock()
        self._writing = False
        self._trouble: JournalError | None = None
        self._is_doubtful = False
        self._is_away = False
        self._is_closed = False
        self._is_wal_fresh = True
        self._commits = 0
        self._subscribers: list[Callable[[], None]] = []
        self._db = connecting.open_connection(path, self._shown, journal_id, box)
        self._identity = _identity(path)

    @property
    def journal_id(self) -> str:
        """What this journal is called in its notices' ids."""
        with self.read() as db:
            return settings.journal_id(db)

    @property
    def problem(self) -> str:
        """Why nothing can be written now; "" if something can."""
        trouble = self._trouble
        return "" if trouble is None else str(trouble)

    def check(self) -> None:
        """Raise JournalError while nothing can be written: no work is to be taken on."""
        if self._trouble is not None:
            raise self._trouble

    @property
    def is_broken(self) -> bool:
        """Whether the file turned out to be damaged: every use fails, until a new start."""
        return isinstance(self._trouble, JournalBrokenError)

    @contextlib.contextmanager
    def write(self) -> Iterator[Connection]:
        """Change the journal: all of the block is kept, durably, or nothing of it.

        Raises JournalError if the disk is full or fails; what the block raises goes through.
        """
        with self._lock:
            assert not self._writing, "a transaction is open in this thread already"
            self._writing = True
            try:
                self._be_in_place()
                self._be_sure()
                self._db.execute("BEGIN IMMEDIATE")
                if self._is_wal_fresh:
                    connecting.mark_wal(self._db)
                changes_before = self._db.total_changes
                yield self._db
                self._db.execute("COMMIT")
                self._is_wal_fresh = False
            except BaseException as error:
                self._roll_back()
                if trouble := self._note(error):
                    raise trouble from error
                raise
            finally:
                self._writing = False
            self._trouble = None
            changed = self._db.total_changes != changes_before
            self._checkpoint_now_and_then()
        if changed:
            for callback in tuple(self._subscribers):
                callback()

    @contextlib.contextmanager
    def read(self) -> Iterator[Connection]:
        """Look at the journal, without changing it. Raises JournalError if its disk fails."""
        with self._lock:
            try:
                self._be_sure()
                changes_before = self._db.total_changes
                yield self._db
                assert self._db.total_changes == changes_before, "changed in read(); use write()"
            except sqlite3.DatabaseError as error:
                if trouble := self._note(error):
                    raise trouble from error
                raise

    def subscribe(self, callback: Callable[[], None]) -> Callable[[], None]:
        """Call callback, in the committing thread, after each commit that changed something.

        Returns a function that ends it. The callback must be quick and must not raise.
        """
        self._subscribers.append(callback)

        def unsubscribe() -> None:
            with contextlib.suppress(ValueError):
                self._subscribers.remove(callback)

        return unsubscribe

    def close(self) -> None:
        """Close the file; twice is fine."""
        with self._lock:
            if self._path is not None and not self._is_closed:
                try:
                    with self.write() as db:
                        settings.put(db, settings.IN_USE_KEY, "no")
                except JournalError:
                    # What is not said here is said by the -wal file; it must stay for that.
                    if self.is_in_place():
                        connecting.close_keeping_wal(self._db, self._path)
            self._is_closed = True
            self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    # Its file

    def is_in_place(self) -> bool:
        """Tell whether the file that is open is still the one at the journal's path."""
        return self._path is None or _identity(self._path) == self._identity

    def is_well(self) -> bool:
        """Try a write, if the last one failed; tell whether the journal can be used."""
        if self._trouble is not None:
            with contextlib.suppress(JournalError), self.write() as db:
                tried = int(settings.get(db, settings.TRIED_KEY) or 0)
                settings.put(db, settings.TRIED_KEY, str(tried + 1))
        return self._trouble is None

    def lose(self, what: str) -> None:
        """Take on no more work, but can still be read; what: goes on after the journal's name."""
        with self._lock:
            self._is_away = True
            self._trouble = failures.not_in_place(self._shown, what)

    def find(self) -> None:
        """Go on: the file that is open is at its place again."""
        with self._lock:
            if self._is_away:
                self._is_away, self._trouble = False, None

    def go_on_in(self, copy: Path, put_in_place: Callable[[], None]) -> None:
        """Copy all that is in the open file to copy, have it put in place, and go on in it.

        For a journal whose file was moved, removed or replaced: nothing of it is lost while it is
        open. Raises JournalError; OSError from put_in_place, and then the old file stays open.
        """
        with self._lock:
            try:
                connecting.copy_to(self._db, copy)
            except sqlite3.DatabaseError as error:
                raise failures.cannot_write(str(copy), error) from error
            put_in_place()
            self._identity = _identity(self._path)
            self._is_doubtful = True
            self.find()
            self._be_sure()

    def _be_in_place(self) -> None:
        if self._is_away:
            assert self._trouble is not None, "lose() says what is the matter"
            raise self._trouble

    def _be_sure(self) -> None:
        """Open the file anew if it is in doubt. Raises JournalError."""
        if self.is_broken:
            assert self._trouble is not None, "it is what says so"
            raise self._trouble
        if not self._is_doubtful:
            return
        if not self.is_in_place():  # opening would make another one
            raise self._trouble or failures.not_in_place(self._shown, "is not at its place")
        with contextlib.suppress(sqlite3.DatabaseError):  # it is given up
            self._db.close()
        try:
            self._db = connecting.open_connection(self._path, self._shown)
        except ConfigError as error:
            self._trouble = JournalError(error.problem, remedy=error.remedy)
            if error.__cause__ is None or failures.is_broken(error.__cause__):
                self._trouble = failures.broken(self._shown, error.problem)
            raise self._trouble from error
        self._is_doubtful = False
        self._is_wal_fresh = True

    def _note(self, error: BaseException) -> JournalError | None:
        """Take note of what an error says about the file; None if it says nothing."""
        if failures.is_broken(error):
            self._trouble = failures.broken(self._shown, error)
        elif failures.is_disks_fault(error):
            self._trouble = failures.cannot_write(self._shown, error)
            self._is_doubtful = self._path is not None and not failures.is_full(error)
        else:
            return None
        return self._trouble

    def _checkpoint_now_and_then(self) -> None:
        """Bring the -wal file's content into the main file; what is committed is safe anyway."""
        self._commits += 1
        if self._commits % COMMITS_PER_CHECKPOINT:
            return
        try:
            self._is_wal_fresh = connecting.checkpoint(self._db)
        except sqlite3.DatabaseError as error:
            self._note(error)

    def _roll_back(self) -> None:
        with contextlib.suppress(sqlite3.DatabaseError):  # the error that led here is raised
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")


def _identity(path: Path | None) -> tuple[int, int] | None:
    """Return device and inode of what is at path now; None if nothing is."""
    if path is None:
        return None
    try:
        status = os.stat(path)
    except OSError:
        return None
    return status.st_dev, status.st_ino
