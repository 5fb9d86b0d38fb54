"""Rows of the journal as the rest of syncd sees them, and how columns become fields.

Owns: the shape of a roll's row, the one SELECT that reads it, digests and text in columns.
Must not: change anything; see rolls.py.
"""

from dataclasses import dataclass
from enum import StrEnum
from sqlite3 import Connection
from typing import Any

import msgpack

from syncd.moments import within_calendar
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.names import spelled
from syncd.roll.stages import HeldCode, Stage

_IN_ORDER = "ORDER BY rank, needed_by_utc_ms IS NULL, needed_by_utc_ms, arrived_utc_ms, roll_id"


class Origin(StrEnum):
    """How a roll came to be known here."""

    LANDING = "landing"
    PEER = "peer"
    FETCH = "fetch"


class Gone(StrEnum):
    """What has become of a roll from a landing whose folder is not there (any more).

    MISSED: held until its folder is there, or a person ends it. ENDING: a person did, or it was
    turned away; the storage is still to be told. OVER: nobody waits for it. These two are on no
    list. AWAITED: the landing is to look at it before it is handed over again.
    """

    MISSED = "missed"
    ENDING = "ending"
    OVER = "over"
    AWAITED = "awaited"


@dataclass(frozen=True, slots=True)
class HeldNote:
    """Why a roll is held, and about which of its files (None: the roll as a whole)."""

    code: HeldCode
    message: str
    path: str | None

    @property
    def why(self) -> str:
        """What tells this reason from another one."""
        return f"{self.code} {self.message}"


@dataclass(frozen=True, slots=True)
class RollRow:
    """One roll.

    moved_bytes: durable at the destination, as far as known here.
    source_path: where it lies on the landing; published_path: where it was published here.
    same_as: id of the roll that has the same content, if this one is only another offer of it; of
    a roll from a landing, what lies in its folder now, and is offered in its place.
    edition: how often its files were replaced by others that leave its id the same.
    gone: whether its folder is missed on the landing; None: not, as far as known.
    astray: what is said of a roll that is not where it was published; None: it is, as far as known.
    put_away: that is so on purpose, as a person says.
    """

    roll_id: str
    day: str
    name: str
    origin: Origin
    peer: str | None
    stage: Stage
    held: HeldNote | None
    total_bytes: int
    file_count: int
    moved_bytes: int
    rank: int
    rank_set_by_hand: bool
    needed_by_utc_ms: int | None
    arrived_utc_ms: int
    paused: bool
    expected_utc_ms: int | None
    route: str
    source_path: str | None
    published_path: str | None
    same_as: str | None
    edition: int
    gone: Gone | None = None
    astray: str | None = None
    put_away: bool = False

    @property
    def is_listed(self) -> bool:
        """Whether it is a roll of its own: it leads to no other one, and has not left."""
        return self.same_as is None and self.gone in {None, Gone.MISSED, Gone.AWAITED}

    @property
    def shown_stage(self) -> Stage:
        """What people see: HELD while the roll is held."""
        return Stage.HELD if self.held else self.stage


@dataclass(frozen=True, slots=True)
class HistoryRow:
    """One line of a roll's history."""

    at_utc_ms: int
    stage: Stage
    note: str


def select(db: Connection, where: str = "", *values: str) -> list[RollRow]:
    """Return the rolls that match, in the order in which they go: rank, needed-by, arrival."""
    # where is one of this module's own literals; what comes from outside is in values.
    rows = db.execute(
        "SELECT roll_id, day, name, origin, peer, stage, held_code, held_message, held_path,"  # noqa: S608
        " total_bytes, file_count, moved_bytes, rank, rank_set_by_hand, needed_by_utc_ms,"
        " arrived_utc_ms, paused, expected_utc_ms, route, source_path, published_path, same_as,"
        " edition, gone, astray, put_away"
        f" FROM roll {where} {_IN_ORDER}",
        values,
    )
    return [_roll(*row) for row in rows]


def _roll(*row: Any) -> RollRow:
    roll_id, day, name, origin, peer, stage, code, message, path, *rest = row
    total, count, moved, rank, by_hand, needed_by, arrived, paused, expected, *places = rest
    *places, gone, astray, put_away = places
    held = None if code is None else HeldNote(HeldCode(code), message, path)
    places = [*places, None if gone is None else Gone(gone), astray, bool(put_away)]
    return RollRow(
        *(roll_id, day, name, Origin(origin), peer, Stage(stage), held, total, count, moved),
        *(rank, bool(by_hand), _time(needed_by), within_calendar(arrived), bool(paused)),
        *(_time(expected), *places),
    )


def _time(utc_ms: int | None) -> int | None:
    """Return a time as it may be shown and sent: an older journal may have any number."""
    return None if utc_ms is None else within_calendar(utc_ms)


def plain(text: str) -> str:
    r"""Make text fit to keep: a name that is not UTF-8 has its bytes as \xNN, as it is shown."""
    try:
        text.encode()
    except UnicodeEncodeError:
        return "".join(spelled(c) if "\ud800" <= c <= "\udfff" else c for c in text)
    return text


def key_of(db: Connection, roll_id: str) -> int:
    """Return the key under which other tables know the roll."""
    row = db.execute("SELECT key FROM roll WHERE roll_id = ?", (roll_id,)).fetchone()
    assert row is not None, f"roll {roll_id} is not journalled"
    return int(row[0])


def digests_to_blob(digests: tuple[Digest, ...]) -> bytes:
    """Pack digests for a column."""
    packed: bytes = msgpack.packb([(d.algorithm.value, d.value) for d in digests])
    return packed


def digests_from_blob(blob: bytes) -> tuple[Digest, ...]:
    """Read what digests_to_blob packed."""
    return tuple(Digest(Algorithm(name), value) for name, value in msgpack.unpackb(blob))
