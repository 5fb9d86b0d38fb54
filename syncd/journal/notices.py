"""The outbox: what happened, in order, written in the transaction in which it happened.

Owns: notices, how far each subscriber has got, and its deliveries beyond that.
Must not: send anything (see syncd/notices), nor change a roll.

A notice's id is "<journal id>-<seq>": the same at every attempt, so that repeats can be dropped.
A body always has "roll" ({id, name, day} or null), "stage", "note" and "data".
"""

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from sqlite3 import Connection
from typing import Any

from syncd.journal import settings

OUTCOME_WAITING = ""
OUTCOME_DELIVERED = "delivered"
OUTCOME_LOST = "lost"  # the notice itself is kept no longer

_LEFT_ALONE = "left_alone:"  # setting; followed by the subscriber's name


@dataclass(frozen=True, slots=True)
class NoticeRow:
    """One notice; seq orders all of a journal's notices and is never used twice."""

    seq: int
    notice_id: str
    roll_id: str | None
    kind: str
    at_utc_ms: int
    body: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Delivery:
    """How far one notice has got with one subscriber.

    outcome: OUTCOME_WAITING until it is one of the others.
    """

    subscriber: str
    seq: int
    attempts: int = 0
    next_at_utc_ms: int = 0
    outcome: str = OUTCOME_WAITING


def add(
    db: Connection,
    roll_id: str | None,
    kind: str,
    *,
    now_utc_ms: int,
    note: str = "",
    data: Mapping[str, Any] | None = None,
) -> NoticeRow:
    """Write a notice about a roll as it is now, or about none; it is sent once committed."""
    roll, stage = _roll_now(db, roll_id)
    body = {"roll": roll, "stage": stage, "note": note, "data": dict(data or {})}
    seq = db.execute(
        "INSERT INTO notice (roll_id, kind, at_utc_ms, body) VALUES (?, ?, ?, ?)",
        (roll_id, kind, now_utc_ms, json.dumps(body)),
    ).lastrowid
    assert seq is not None, "an insert gives a row id"
    return NoticeRow(seq, f"{settings.journal_id(db)}-{seq}", roll_id, kind, now_utc_ms, body)


def after(
    db: Connection,
    seq: int,
    *,
    limit: int = 200,
    roll_ids: Collection[str] | None = None,
    kinds: Collection[str] | None = None,
) -> list[NoticeRow]:
    """Return the notices after seq, oldest first; roll_ids and kinds narrow, None means all."""
    rows = db.execute(
        "SELECT seq, roll_id, kind, at_utc_ms, body FROM notice WHERE seq > ?1"
        " AND (?2 IS NULL OR roll_id IN (SELECT value FROM json_each(?2)))"
        " AND (?3 IS NULL OR kind IN (SELECT value FROM json_each(?3)))"
        " ORDER BY seq LIMIT ?4",
        (seq, _json_list(roll_ids), _json_list(kinds), limit),
    ).fetchall()
    return _notices(db, rows)


def after_for_peer(db: Connection, seq: int, peer: str, *, limit: int = 200) -> list[NoticeRow]:
    """Return the notices after seq about rolls that came from one peer, or that it offered, too."""
    rows = db.execute(
        "SELECT seq, notice.roll_id, kind, at_utc_ms, body FROM notice"
        " JOIN roll ON roll.roll_id = notice.roll_id"
        " WHERE seq > ?1 AND (roll.peer = ?2 OR EXISTS (SELECT 1 FROM roll AS again"
        " WHERE again.same_as = roll.roll_id AND again.peer = ?2)) ORDER BY seq LIMIT ?3",
        (seq, peer, limit),
    ).fetchall()
    return _notices(db, rows)


def last_seq(db: Connection) -> int:
    """Return the newest number given to a notice, 0 if there was none yet."""
    row = db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'notice'").fetchone()
    return 0 if row is None else int(row[0])


def begin_above(db: Connection, seq: int) -> None:
    """Give a new journal's notices numbers above seq, so that they pass for no older one's."""
    assert last_seq(db) == 0, "only before the first notice"
    db.execute("INSERT INTO sqlite_sequence (name, seq) VALUES ('notice', ?)", (seq,))
    settings.put(db, settings.FIRST_SEQ_KEY, str(seq))


def total(db: Connection) -> int:
    """Return how many notices there have been."""
    return last_seq(db) - int(settings.get(db, settings.FIRST_SEQ_KEY) or 0)


def oldest_seq(db: Connection) -> int:
    """Return the oldest number still kept; one past the last if none is."""
    (oldest,) = db.execute("SELECT min(seq) FROM notice").fetchone()
    return last_seq(db) + 1 if oldest is None else int(oldest)


def prune(db: Connection, last_gone: int) -> int:
    """Forget the notices up to last_gone, and their deliveries; return how many went."""
    db.execute("DELETE FROM delivery WHERE seq <= ?", (last_gone,))
    return db.execute("DELETE FROM notice WHERE seq <= ?", (last_gone,)).rowcount


def begin(db: Connection, subscriber: str) -> int:
    """Return the subscriber's cursor; one never seen before starts at the end of what is there.

    So a command added to the configuration does not run for every roll of last week.
    """
    row = db.execute("SELECT seq FROM cursor WHERE subscriber = ?", (subscriber,)).fetchone()
    if row is not None:
        return int(row[0])
    set_cursor(db, subscriber, last_seq(db))
    return last_seq(db)


def cursor(db: Connection, subscriber: str) -> int:
    """Return up to which seq the subscriber is served; 0 if it was never seen."""
    row = db.execute("SELECT seq FROM cursor WHERE subscriber = ?", (subscriber,)).fetchone()
    return 0 if row is None else int(row[0])


def set_cursor(db: Connection, subscriber: str, seq: int) -> None:
    """Record that the subscriber is served up to seq; forget the deliveries up to there."""
    db.execute(
        "INSERT INTO cursor (subscriber, seq) VALUES (?1, ?2)"
        " ON CONFLICT (subscriber) DO UPDATE SET seq = ?2 WHERE seq <> ?2",
        (subscriber, seq),
    )
    db.execute("DELETE FROM delivery WHERE subscriber = ? AND seq <= ?", (subscriber, seq))


def record_attempt(db: Connection, delivery: Delivery) -> None:
    """Keep what came of an attempt, in place of what was known of this delivery."""
    db.execute(
        "INSERT OR REPLACE INTO delivery (subscriber, seq, attempts, next_at_utc_ms, outcome)"
        " VALUES (?, ?, ?, ?, ?)",
        (
            delivery.subscriber,
            delivery.seq,
            delivery.attempts,
            delivery.next_at_utc_ms,
            delivery.outcome,
        ),
    )


def deliveries(db: Connection, subscriber: str) -> dict[int, Delivery]:
    """Return what is known of the subscriber's deliveries beyond its cursor, by seq."""
    rows = db.execute(
        "SELECT seq, attempts, next_at_utc_ms, outcome FROM delivery WHERE subscriber = ?",
        (subscriber,),
    )
    return {seq: Delivery(subscriber, seq, tries, at, out) for seq, tries, at, out in rows}


def heads(db: Connection, subscriber: str, kinds: Collection[str]) -> list[Delivery]:
    """Return, oldest first, what each roll's next delivery to the subscriber is.

    Later ones of the roll are behind it. Notices about no roll are in order among themselves.
    """
    # With min(), the other columns are of the row that has it (sqlite.org/lang_select.html).
    rows = db.execute(
        "SELECT min(notice.seq), coalesce(attempts, 0), coalesce(next_at_utc_ms, 0)"
        " FROM notice LEFT JOIN delivery"
        " ON delivery.seq = notice.seq AND delivery.subscriber = ?1"
        " WHERE notice.seq > ?2 AND kind IN (SELECT value FROM json_each(?3))"
        " AND coalesce(outcome, '') = '' GROUP BY roll_id ORDER BY 1",
        (subscriber, cursor(db, subscriber), _json_list(kinds)),
    )
    return [Delivery(subscriber, seq, tries, at) for seq, tries, at in rows]


def served_up_to(db: Connection, subscriber: str, kinds: Collection[str]) -> int:
    """Return the last seq before the first notice that is still to be delivered."""
    waiting = heads(db, subscriber, kinds)
    if waiting:
        return waiting[0].seq - 1
    (newest,) = db.execute(
        "SELECT max(seq) FROM notice WHERE kind IN (SELECT value FROM json_each(?))",
        (_json_list(kinds),),
    ).fetchone()
    return max(newest or 0, cursor(db, subscriber))


def leave_alone(db: Connection, subscriber: str, until_utc_ms: int) -> None:
    """Record that the subscriber asked to be told nothing at all until then."""
    settings.put(db, _LEFT_ALONE + subscriber, str(until_utc_ms))


def left_alone_until(db: Connection, subscriber: str) -> int:
    """Return until when the subscriber asked to be told nothing (UTC, ms); 0 if it did not."""
    return int(settings.get(db, _LEFT_ALONE + subscriber) or 0)


def hasten(db: Connection, *, subscriber: str | None = None, roll_id: str | None = None) -> int:
    """Let deliveries that wait for their next attempt be tried at once; None means of all.

    Returns how many they are.
    A subscriber that asked to be left alone is asked again: somebody says that it is well.
    """
    settings.forget(db, _LEFT_ALONE + ("*" if subscriber is None else subscriber))
    return db.execute(
        "UPDATE delivery SET next_at_utc_ms = 0 WHERE outcome = '' AND next_at_utc_ms <> 0"
        " AND (?1 IS NULL OR subscriber = ?1)"
        " AND (?2 IS NULL OR seq IN (SELECT seq FROM notice WHERE roll_id = ?2))",
        (subscriber, roll_id),
    ).rowcount


def _roll_now(db: Connection, roll_id: str | None) -> tuple[dict[str, str] | None, str | None]:
    if roll_id is None:
        return None, None
    row = db.execute(
        "SELECT name, day, iif(held_code IS NULL, stage, 'held') FROM roll WHERE roll_id = ?",
        (roll_id,),
    ).fetchone()
    assert row is not None, "a roll is journalled before anything is said of it"
    return {"id": roll_id, "name": row[0], "day": row[1]}, str(row[2])


def _json_list(values: Collection[str] | None) -> str | None:
    return None if values is None else json.dumps(sorted(values))


def _notices(db: Connection, rows: list[tuple[int, str | None, str, int, str]]) -> list[NoticeRow]:
    own_id = settings.journal_id(db)
    return [
        NoticeRow(seq, f"{own_id}-{seq}", roll_id, kind, at_utc_ms, json.loads(body))
        for seq, roll_id, kind, at_utc_ms, body in rows
    ]
