"""The journal: one SQLite file, one connection, one transaction at a time.

Owns: opening (and refusing to open), migrations, the lock, the transaction, and telling
subscribers after a commit. What is in the tables is for rolls, parcels, notices and settings.
Must not: read a clock; every time is passed in.

Blocking: everything here may wait for the disk; on the event loop it runs aside.
"""

import contextlib
import logging
import sqlite3
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from sqlite3 import Connection
from types import TracebackType
from typing import Self

from syncd.errors import ConfigError, SyncdError
from syncd.journal import schema, settings

__all__ = ["Connection", "Journal", "JournalError"]

_log = logging.getLogger(__name__)
_BUSY_TIMEOUT_S = 5.0
_DISK_ERROR_CODES = frozenset(
    {
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_READONLY,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_CORRUPT,
        sqlite3.SQLITE_BUSY,
    }
)


class JournalError(SyncdError):
    """The journal cannot be written now: nothing of the transaction was kept."""

    http_status = 507


class Journal:
    """An open journal; None as path keeps it in memory.

    file_system: the type of file system below path, if known; network ones are refused.
    journal_id: what a new journal is called in its notices' ids; random unless given.

    Raises ConfigError if the file is broken, in use, newer than this syncd, or on a network.
    """

    def __init__(self, path: Path | None, *, file_system: str = "", journal_id: str = "") -> None:
        _check_file_system(path, file_system)
        self._shown = str(path) if path else "the journal in memory"
        self._lock = threading.RLock()
        self._writing = False
        self._subscribers: list[Callable[[], None]] = []
        with contextlib.ExitStack() as undo:
            try:
                self._db = _connect(path)
                undo.callback(self._db.close)
                self._open(path, journal_id)
            except sqlite3.DatabaseError as error:
                raise _cannot_open(self._shown, error) from error
            undo.pop_all()

    @property
    def journal_id(self) -> str:
        """What this journal is called in its notices' ids."""
        with self.read() as db:
            return settings.journal_id(db)

    @contextlib.contextmanager
    def write(self) -> Iterator[Connection]:
        """Change the journal: all of the block is kept, durably, or nothing of it.

        Raises JournalError if the disk is full or fails; what the block raises goes through.
        """
        with self._lock:
            assert not self._writing, "a transaction is open in this thread already"
            self._writing = True
            changes_before = self._db.total_changes
            try:
                self._db.execute("BEGIN IMMEDIATE")
                yield self._db
                self._db.execute("COMMIT")
            except BaseException as error:
                self._roll_back()
                if _is_the_disks_fault(error):
                    raise _cannot_write(self._shown, error) from error
                raise
            finally:
                self._writing = False
            changed = self._db.total_changes != changes_before
        if changed:
            for callback in tuple(self._subscribers):
                callback()

    @contextlib.contextmanager
    def read(self) -> Iterator[Connection]:
        """Look at the journal, without changing it."""
        with self._lock:
            changes_before = self._db.total_changes
            yield self._db
            assert self._db.total_changes == changes_before, "changed in read(); use write()"

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

    def _open(self, path: Path | None, journal_id: str) -> None:
        for pragma in schema.PRAGMAS:
            self._db.execute(pragma).fetchall()
        (found,) = self._db.execute("PRAGMA quick_check(1)").fetchone()
        if found != "ok":
            raise _broken(self._shown, found)
        (version,) = self._db.execute("PRAGMA user_version").fetchone()
        if version > len(schema.MIGRATIONS):
            raise ConfigError(
                f"The journal {self._shown} was written by a newer syncd "
                f"(version {version}; this one knows {len(schema.MIGRATIONS)}).",
                remedy="Install that syncd again, or name another folder as node.state.",
            )
        if path and 0 < version < len(schema.MIGRATIONS):
            self._back_up(path.with_name(f"{path.name}.version-{version}"))
        for number in range(version, len(schema.MIGRATIONS)):
            self._migrate(number)
        with self.write() as db:
            _name_journal(db, journal_id)

    def _migrate(self, number: int) -> None:
        """Run one migration; it and the record that it ran are kept together."""
        with self.write() as db:
            for statement in schema.MIGRATIONS[number]:
                db.execute(statement)
            db.execute(f"PRAGMA user_version = {number + 1}")

    def _back_up(self, target: Path) -> None:
        with contextlib.closing(sqlite3.connect(target)) as copy:
            self._db.backup(copy)

    def _roll_back(self) -> None:
        if self._db.in_transaction:
            self._db.execute("ROLLBACK")


def _connect(path: Path | None) -> Connection:
    return sqlite3.connect(
        path or ":memory:",
        timeout=_BUSY_TIMEOUT_S,
        isolation_level=None,  # transactions are ours to begin and end
        check_same_thread=False,  # the lock sees to it
    )


def _name_journal(db: Connection, journal_id: str) -> None:
    if settings.get(db, settings.JOURNAL_ID_KEY) is None:
        (random_id,) = db.execute("SELECT lower(hex(randomblob(16)))").fetchone()
        settings.put(db, settings.JOURNAL_ID_KEY, journal_id or random_id)


def _check_file_system(path: Path | None, file_system: str) -> None:
    if file_system in schema.NETWORK_FILE_SYSTEMS:
        raise ConfigError(
            f"The journal {path} would be on a network file system ({file_system}), "
            "where SQLite's WAL is not safe.",
            remedy="Name a folder on a local disk as node.state.",
        )
    if file_system.startswith("fuse"):
        _log.warning("the journal %s is on %s; a local disk is safer", path, file_system)


def _is_the_disks_fault(error: BaseException) -> bool:
    """Tell a full or failing disk from a mistake of ours; extended codes keep the low byte."""
    if not isinstance(error, sqlite3.DatabaseError):
        return False
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in _DISK_ERROR_CODES


def _cannot_write(shown: str, error: BaseException) -> JournalError:
    return JournalError(
        f"The journal {shown} cannot be written: {error}.",
        remedy="Free space on its disk and see that the disk is well; "
        "nothing that was confirmed is lost.",
    )


def _cannot_open(shown: str, error: sqlite3.DatabaseError) -> ConfigError:
    if "locked" in str(error):
        return ConfigError(
            f"The journal {shown} is in use by another process.",
            remedy="Stop the other syncd, or give this one another node.state.",
        )
    if "unable to open" in str(error):
        return ConfigError(
            f"The journal {shown} cannot be opened or made: {error}.",
            remedy="See that the folder named as node.state exists and belongs to syncd's user.",
        )
    return _broken(shown, str(error))


def _broken(shown: str, found: str) -> ConfigError:
    return ConfigError(
        f"The journal {shown} is damaged: {found}.",
        remedy="Put back a copy of it, or move it aside together with its -wal file "
        "and start again: rolls on the storage and on the landing stay as they are.",
    )
