"""Is this file a journal, whole and ours? Asked before it is opened for writing.

Owns: the answer, with what was found. Must not: change the file, its -wal or anything else.

SQLite's pages carry no checksums, so its own check finds broken structure and not every changed
value. What a value means is therefore read too: stages, reasons, digests; and what an unfinished
roll consists of must give the roll's id, which is a digest of it.
"""

import contextlib
import json
import sqlite3
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from sqlite3 import Connection

import msgpack

from syncd.journal import failures, rolls, schema, settings
from syncd.journal.rows import Origin, digests_from_blob, select

# A version above this was never given: the number itself is damaged.
_VERSION_MAX = 1000
BUSY_TIMEOUT_S = 5.0


class Health(StrEnum):
    """What may be done with a file."""

    SOUND = "sound"
    NEWER = "newer"
    BROKEN = "broken"
    FOREIGN_WAL = "foreign-wal"  # the file is sound without the -wal file beside it
    KEPT_OUT = "kept-out"  # it could not be looked at, so nothing is known of it


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found: in_use tells that it was not closed, so a -wal file belongs to it.

    journal_id: what it is called. box: the fingerprint of the box whose it is; "" before it was
    first opened by a syncd that writes that down.
    """

    health: Health
    text: str = ""
    version: int = 0
    in_use: bool = False
    journal_id: str = ""
    box: str = ""
    error: sqlite3.DatabaseError | None = None


class _UnfitError(Exception):
    """The file is no journal of ours that can be opened as it is."""

    def __init__(self, text: str, health: Health = Health.BROKEN) -> None:
        super().__init__(text)
        self.health = health


def examine(path: Path) -> Finding:
    """Look at the journal at path, which must be a file."""
    try:
        with contextlib.closing(_connect(path, "mode=ro")) as db:
            version = _version(db)
            if version > len(schema.MIGRATIONS):
                return Finding(Health.NEWER, version=version)
            if version == 0:
                return Finding(Health.SOUND)
            return Finding(
                Health.SOUND,
                version=version,
                in_use=_is_in_use(db, path, version),
                journal_id=settings.journal_id(db),
                box=settings.get(db, settings.BOX_KEY) or "",
            )
    except sqlite3.DatabaseError as error:
        health = Health.KEPT_OUT if failures.is_kept_out(error) else Health.BROKEN
        return Finding(health, failures.said(error), error=error)
    except _UnfitError as error:
        return Finding(error.health, str(error))
    except (ValueError, TypeError, LookupError, msgpack.UnpackException) as error:
        return Finding(Health.BROKEN, f"a value in it makes no sense ({error})")


def _connect(path: Path, how: str) -> Connection:
    uri = f"{path.absolute().as_uri()}?{how}"
    return sqlite3.connect(uri, uri=True, isolation_level=None, timeout=BUSY_TIMEOUT_S)


def _version(db: Connection) -> int:
    """Check the file's structure and return the version of its tables, 0 for an empty file."""
    (version,) = db.execute("PRAGMA user_version").fetchone()
    (found,) = db.execute("PRAGMA integrity_check(1)").fetchone()
    if found != "ok":
        raise _UnfitError(found)
    (tables,) = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if version == 0 and tables:
        raise _UnfitError("another program's tables are in it")
    if not 0 <= version <= _VERSION_MAX:
        raise _UnfitError(f"its version cannot be {version}")
    return int(version)


def _is_in_use(db: Connection, path: Path, version: int) -> bool:
    """Check that what is in it is ours and makes sense; tell whether it was left open."""
    journal_id = settings.journal_id(db)
    if not journal_id:
        raise _UnfitError("it has no name")
    _check_wal(db, path, journal_id)
    _check_tables(db)
    if version == len(schema.MIGRATIONS):
        _check_meaning(db)
    return settings.get(db, settings.IN_USE_KEY) == "yes"


def _check_wal(db: Connection, path: Path, journal_id: str) -> None:
    """Compare the main file alone with what it is together with the -wal file beside it."""
    try:
        with contextlib.closing(_connect(path, "mode=ro&immutable=1")) as alone:
            alone_id = settings.journal_id(alone)
            alone_number = int(settings.get(alone, settings.WAL_KEY) or 0)
    except sqlite3.DatabaseError:
        return  # all of it is in the -wal file still
    text = "the -wal file beside it belongs to another journal"
    if alone_id not in ("", journal_id):
        raise _UnfitError(text, Health.FOREIGN_WAL)
    number = int(settings.get(db, settings.WAL_KEY) or 0)
    if alone_id and number - alone_number not in (0, 1):
        raise _UnfitError("the -wal file beside it belongs to another state", Health.FOREIGN_WAL)


def _check_tables(db: Connection) -> None:
    """Make all tables and indexes once more, in memory, as they are written down in the file.

    Open for reading alone, SQLite leaves out what a table checks; open for writing, it does not,
    and refuses every statement if one of its words is wrong.
    """
    made = db.execute(
        "SELECT sql FROM sqlite_schema WHERE sql LIKE 'CREATE %' AND name NOT GLOB 'sqlite_*'"
        " ORDER BY type = 'index'"
    )
    with contextlib.closing(sqlite3.connect(":memory:")) as beside:
        for (statement,) in made:
            beside.execute(statement)


def _check_meaning(db: Connection) -> None:
    """Read everything once as the rest of syncd would. Raises ValueError and the like."""
    select(db)
    for origin in Origin:
        for row in rolls.unfinished(db, origin):
            _check_inventory(db, row.roll_id)
    for (packed,) in db.execute("SELECT empty_folders FROM roll"):
        msgpack.unpackb(packed)
    for (packed,) in db.execute("SELECT digests FROM proof"):
        digests_from_blob(packed)
    for (text,) in db.execute("SELECT body FROM notice"):
        if not isinstance(json.loads(text), dict):
            raise TypeError("a notice is no map")
    bad = db.execute("PRAGMA foreign_key_check").fetchone()
    if bad is not None:
        raise ValueError(f"a row of {bad[0]} belongs to nothing")


def _check_inventory(db: Connection, roll_id: str) -> None:
    found = rolls.load_inventory(db, roll_id)
    if found.roll_id != roll_id:
        raise ValueError(f"the files of roll {roll_id} are not those that it was named for")
