"""Opening the journal's file: pragmas, check, migrations, and a copy of what is open.

Owns: what is done to a file before its first use, and that a journal never lies where SQLite's WAL
is not safe. Must not: move a file, or decide what becomes of a damaged one; opening.py does.
"""

import contextlib
import logging
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from sqlite3 import Connection

from syncd.errors import ConfigError
from syncd.journal import failures, schema, settings

_log = logging.getLogger(__name__)
_BUSY_TIMEOUT_S = 5.0


def open_connection(
    path: Path | None, shown: str, journal_id: str = "", box: str = ""
) -> Connection:
    """Return the one connection, ready for use. Raises ConfigError.

    box: the fingerprint of the box whose journal it is from now on; "" leaves what is there.
    """
    with contextlib.ExitStack() as undo:
        try:
            db = _connect(path)
            undo.callback(close_keeping_wal, db, path)
            for pragma in schema.PRAGMAS:
                db.execute(pragma).fetchall()
            _check(db, shown)
            _bring_up(db, path, shown)
            with _transaction(db):
                for index in schema.INDEXES:
                    db.execute(index)
                _name_journal(db, journal_id)
                if box:
                    settings.put(db, settings.BOX_KEY, box)
                settings.put(db, settings.IN_USE_KEY, "yes")
                mark_wal(db)
            # What tells a foreign or missing -wal file must not lie in that file itself.
            checkpoint(db)
        except sqlite3.DatabaseError as error:
            raise failures.cannot_open(shown, error) from error
        undo.pop_all()
    return db


def checkpoint(db: Connection) -> bool:
    """Bring all of the -wal file into the main file; tell whether it is empty now."""
    busy, *_ = db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    return not busy


def close_keeping_wal(db: Connection, path: Path | None) -> None:
    """Close db and let its -wal file lie, as a crash does: it says that more belongs to the file.

    SQLite brings its content into the main file and removes it. Brought in once more, the same
    content changes nothing; a missing -wal file would be taken for a loss.
    """
    if path is None:
        db.close()
        return
    wal, kept = path.with_name(f"{path.name}-wal"), path.with_name(f"{path.name}-wal-kept")
    with contextlib.suppress(OSError):  # then it goes, and the next start says so
        kept.unlink(missing_ok=True)
        kept.hardlink_to(wal)
    db.close()
    with contextlib.suppress(OSError):
        if wal.exists():
            kept.unlink(missing_ok=True)
        else:
            kept.rename(wal)


def mark_wal(db: Connection) -> None:
    """Give a fresh -wal file its number, with its first transaction.

    Its number is one more than the main file's, and the journal's name is on the same page: so
    a -wal file that belongs to another journal, or to another state of this one, can be told.
    """
    settings.put(db, settings.WAL_KEY, str(int(settings.get(db, settings.WAL_KEY) or 0) + 1))


def copy_to(db: Connection, target: Path) -> None:
    """Copy all that is in an open journal to a file of its own, durably; over what is there."""
    make_private(target)
    with contextlib.closing(sqlite3.connect(target)) as copy:
        db.backup(copy)


def check_file_system(path: Path | None, file_system: str) -> None:
    """Refuse a network file system. Raises ConfigError."""
    if file_system in schema.NETWORK_FILE_SYSTEMS:
        raise ConfigError(
            f"The journal {path} would be on a network file system ({file_system}), "
            "where SQLite's WAL is not safe.",
            remedy="Name a folder on a local disk as node.state.",
        )
    if file_system.startswith("fuse"):
        _log.warning("the journal %s is on %s; a local disk is safer", path, file_system)


def make_private(path: Path) -> None:
    """Make an empty file that is syncd's user's alone, if none is there: SQLite takes it as new.

    What SQLite puts beside a file has that file's mode: tests/journal/test_modes.py looks.
    """
    with contextlib.suppress(OSError):  # what is wrong there, SQLite says when it opens it
        path.touch(0o600, exist_ok=False)


def _connect(path: Path | None) -> Connection:
    if path is not None:
        make_private(path)
    return sqlite3.connect(
        path or ":memory:",
        timeout=_BUSY_TIMEOUT_S,
        isolation_level=None,  # transactions are ours to begin and end
        check_same_thread=False,  # the journal's lock sees to it
    )


def _check(db: Connection, shown: str) -> None:
    (found,) = db.execute("PRAGMA quick_check(1)").fetchone()
    if found != "ok":
        raise failures.damaged(shown, found)


def _bring_up(db: Connection, path: Path | None, shown: str) -> None:
    """Bring an older journal to this version. Raises ConfigError for a newer one."""
    (version,) = db.execute("PRAGMA user_version").fetchone()
    if version > len(schema.MIGRATIONS):
        raise failures.too_new(shown, version, len(schema.MIGRATIONS))
    if path and 0 < version < len(schema.MIGRATIONS):
        copy_to(db, path.with_name(f"{path.name}.version-{version}"))
    for number in range(version, len(schema.MIGRATIONS)):
        # A migration and the record that it ran are kept together.
        with _transaction(db):
            for statement in schema.MIGRATIONS[number]:
                db.execute(statement)
            db.execute(f"PRAGMA user_version = {number + 1}")


@contextlib.contextmanager
def _transaction(db: Connection) -> Iterator[None]:
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
    except BaseException:
        if db.in_transaction:  # out of memory, SQLite has rolled back by itself
            db.execute("ROLLBACK")
        raise
    db.execute("COMMIT")


def _name_journal(db: Connection, journal_id: str) -> None:
    if settings.get(db, settings.JOURNAL_ID_KEY) is None:
        (random_id,) = db.execute("SELECT lower(hex(randomblob(16)))").fetchone()
        settings.put(db, settings.JOURNAL_ID_KEY, journal_id or random_id)
