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


class Health(StrEnum):
    """What may be done with a file."""

    SOUND = "sound"
    NEWER = "newer"
    BROKEN = "broken"
    FOREIGN_WAL = "foreign-wal"  # the file is sound without the -wal file beside it
    KEPT_OUT = "kept-out"  # it could not be looked at, so nothing is known of it


@dataclass(frozen=True, slots=True)
class Finding:
    """What was found: in_use tells that it was not closed, so a -wal file belongs to it."""

    health: Health
    text: str = ""
    version: int = 0
    in_use: bool = False
    error: sqlite3.DatabaseError | None = None


def examine(path: Path) -> Finding:
    """Look at the journal at path, which must be a file."""
    try:
        with contextlib.closing(_connect(path, "mode=ro")) as db:
            return _examine(db, path)
    except sqlite3.DatabaseError as error:
        if failures.is_kept_out(error):
            return Finding(Health.KEPT_OUT, str(error), error=error)
        return Finding(Health.BROKEN, str(error))


def _connect(path: Path, how: str) -> Connection:
    return sqlite3.connect(f"{path.absolute().as_uri()}?{how}", uri=True, isolation_level=None)


def _examine(db: Connection, path: Path) -> Finding:
    (version,) = db.execute("PRAGMA user_version").fetchone()
    (found,) = db.execute("PRAGMA integrity_check(1)").fetchone()
    if found != "ok":
        return Finding(Health.BROKEN, found)
    if not 0 <= version <= _VERSION_MAX:
        return Finding(Health.BROKEN, f"its version cannot be {version}")
    if version > len(schema.MIGRATIONS):
        return Finding(Health.NEWER, version=version)
    (tables,) = db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if version == 0:
        text = "another program's tables are in it"
        return Finding(Health.BROKEN, text) if tables else Finding(Health.SOUND)
    journal_id = settings.journal_id(db)
    if not journal_id:
        return Finding(Health.BROKEN, "it has no name")
    if journal_id != _id_without_wal(path):
        return Finding(Health.FOREIGN_WAL, "the -wal file beside it belongs to another journal")
    if version == len(schema.MIGRATIONS):
        try:
            _check_meaning(db)
        except (ValueError, TypeError, LookupError, msgpack.UnpackException) as error:
            return Finding(Health.BROKEN, f"a value in it makes no sense ({error})")
    in_use = settings.get(db, settings.IN_USE_KEY) == "yes"
    return Finding(Health.SOUND, version=version, in_use=in_use)


def _id_without_wal(path: Path) -> str:
    """Return the id in the main file alone, where each opening leaves it; "" if none is there."""
    try:
        with contextlib.closing(_connect(path, "mode=ro&immutable=1")) as db:
            return settings.journal_id(db)
    except sqlite3.DatabaseError:
        return ""


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
            raise ValueError("a notice is no map")
    bad = db.execute("PRAGMA foreign_key_check").fetchone()
    if bad is not None:
        raise ValueError(f"a row of {bad[0]} belongs to nothing")


def _check_inventory(db: Connection, roll_id: str) -> None:
    found = rolls.load_inventory(db, roll_id)
    if found.roll_id != roll_id:
        raise ValueError(f"the files of roll {roll_id} are not those that it was named for")
