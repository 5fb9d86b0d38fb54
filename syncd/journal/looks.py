"""What is asked every few seconds, whatever happens: each reads what it is about and no more.

Owns: questions about rolls whose cost does not grow with all that were ever handed over; the
indexes that they need are in schema.py, and tests/journal/test_looks.py says that they are used.
Must not: change anything.
"""

import json
from collections.abc import Iterable
from sqlite3 import Connection

from syncd.journal.rows import Origin, RollRow, select
from syncd.roll.stages import STAGE_ORDER, Stage, is_before

_UNDER_WAY = json.dumps([stage for stage in STAGE_ORDER if is_before(stage, Stage.LANDED)])
_IN_STAGES = "stage IN (SELECT value FROM json_each(?1))"


def ids_of(db: Connection, origin: Origin, stages: Iterable[Stage]) -> list[str]:
    """Return the ids of the rolls of an origin that are in one of these stages."""
    rows = db.execute(
        f"SELECT roll_id FROM roll WHERE {_IN_STAGES} AND origin = ?2",  # noqa: S608 - a literal
        (json.dumps(list(stages)), origin),
    )
    return [roll_id for (roll_id,) in rows]


def put_away(db: Connection, origin: Origin) -> set[str]:
    """Return the ids of the rolls of an origin that a person put away."""
    rows = db.execute("SELECT roll_id FROM roll WHERE put_away <> 0 AND origin = ?", (origin,))
    return {roll_id for (roll_id,) in rows}


def arriving(db: Connection) -> list[RollRow]:
    """Return the rolls that are not verified yet, in the order in which they go."""
    return select(db, "WHERE stage = ?", Stage.ARRIVING)


def from_sources(db: Connection, sources: Iterable[str]) -> list[RollRow]:
    """Return the rolls that came from one of these folders of a landing."""
    where = "WHERE source_path IN (SELECT value FROM json_each(?))"
    return select(db, where, json.dumps(list(sources)))


def published_paths(db: Connection) -> set[str]:
    """Return where rolls were published here."""
    rows = db.execute("SELECT published_path FROM roll WHERE published_path IS NOT NULL")
    return {path for (path,) in rows}


def all_ids(db: Connection) -> set[str]:
    """Return the ids of all rolls."""
    return {roll_id for (roll_id,) in db.execute("SELECT roll_id FROM roll")}


def under_way(db: Connection) -> tuple[int, int]:
    """Return how many rolls have yet to land, and how many of them are held."""
    row = db.execute(
        f"SELECT count(*), count(held_code) FROM roll WHERE {_IN_STAGES}",  # noqa: S608
        (_UNDER_WAY,),
    ).fetchone()
    return int(row[0]), int(row[1])


def least_rank(db: Connection, *, but: str) -> int | None:
    """Return the smallest rank of the rolls that have yet to land, but for one; None if none is."""
    (rank,) = db.execute(
        f"SELECT min(rank) FROM roll WHERE {_IN_STAGES} AND roll_id <> ?2",  # noqa: S608
        (_UNDER_WAY, but),
    ).fetchone()
    return None if rank is None else int(rank)
