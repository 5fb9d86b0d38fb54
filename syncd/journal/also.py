"""Other names of one roll, and the other folders of a landing that hold it.

Owns: the table `also`, and how many are kept of one roll. Must not: decide that two are one.
"""

import json
from dataclasses import dataclass
from sqlite3 import Connection

from syncd.journal.rows import Origin, RollRow, key_of, plain, select
from syncd.limits import SAME_AS_MAX
from syncd.roll.stages import STAGE_ORDER, Stage, is_before


@dataclass(frozen=True, slots=True)
class Also:
    """Another name; source_path: the folder on the landing that has it, "" on other boxes."""

    day: str
    name: str
    source_path: str


def add(db: Connection, roll_id: str, other: Also) -> bool:
    """Keep another name or folder of a roll, in the place of the oldest one if there are too many.

    False, and nothing changed, if it is known.
    """
    key = key_of(db, roll_id)
    values = key, plain(other.day), plain(other.name), plain(other.source_path)
    added = db.execute(
        "INSERT OR IGNORE INTO also (roll_key, day, name, source_path) VALUES (?, ?, ?, ?)", values
    ).rowcount
    if added:
        db.execute(
            "DELETE FROM also WHERE number IN (SELECT number FROM also WHERE roll_key = ?"
            " ORDER BY number DESC LIMIT -1 OFFSET ?)",
            (key, SAME_AS_MAX),
        )
    return bool(added)


def of(db: Connection, roll_id: str) -> list[Also]:
    """Return the other names and folders of a roll, the latest first."""
    rows = db.execute(
        "SELECT also.day, also.name, also.source_path FROM also JOIN roll ON roll.key = roll_key"
        " WHERE roll_id = ? ORDER BY number DESC",
        (roll_id,),
    )
    return [Also(*row) for row in rows]


def leave_folder(db: Connection, source_path: str) -> None:
    """Record that a folder does not hold any roll any more; the names stay."""
    source = plain(source_path)
    if not source:
        return
    # A name that is kept without a folder already is kept once.
    db.execute("UPDATE OR IGNORE also SET source_path = '' WHERE source_path = ?", (source,))
    db.execute("DELETE FROM also WHERE source_path = ?", (source,))


def find(db: Connection, text: str) -> list[RollRow]:
    """Return the rolls that have another name which is text: DAY/ROLL, or a name."""
    return select(
        db,
        "WHERE key IN (SELECT roll_key FROM also WHERE also.name = ?1"
        " OR also.day || '/' || also.name = ?1)",
        text,
    )


def all_names(db: Connection) -> list[tuple[str, Also]]:
    """Return the other names of all rolls, each with the roll's id, in the order they came."""
    rows = db.execute(
        "SELECT roll_id, also.day, also.name FROM also JOIN roll ON roll.key = roll_key"
        " ORDER BY number"
    )
    return [(roll_id, Also(day, name, "")) for roll_id, day, name in rows]


def to_tell(db: Connection) -> list[tuple[str, Also]]:
    """Return the other names of landed rolls of which the storage has yet to be told."""
    stages = [s for s in STAGE_ORDER if not is_before(s, Stage.LANDED)]
    rows = db.execute(
        # CROSS: the few names first, whatever SQLite takes for many.
        "SELECT DISTINCT roll_id, also.day, also.name FROM also"
        " CROSS JOIN roll ON roll.key = roll_key"
        " WHERE told = 0 AND origin = ? AND (also.day <> roll.day OR also.name <> roll.name)"
        " AND stage IN (SELECT value FROM json_each(?))",
        (Origin.LANDING, json.dumps(stages)),
    )
    return [(roll_id, Also(day, name, "")) for roll_id, day, name in rows]


def note_told(db: Connection, roll_id: str, other: Also) -> None:
    """Record that the storage knows a name."""
    db.execute(
        "UPDATE also SET told = 1 WHERE roll_key = ? AND day = ? AND name = ?",
        (key_of(db, roll_id), other.day, other.name),
    )


def tell_anew(db: Connection) -> None:
    """Record that the storage knows no name any more: its journal is another one."""
    db.execute("UPDATE also SET told = 0 WHERE told")
