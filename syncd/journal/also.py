"""Other names of one roll, and the other folders of a landing that hold it.

Owns: the table `also`, and how many are kept of one roll. Must not: decide that two are one.
"""

from dataclasses import dataclass
from sqlite3 import Connection

from syncd.journal.rows import key_of, plain
from syncd.limits import SAME_AS_MAX


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
