"""Rolls from a landing whose folder is gone: held, ended by a person, or off the lists.

Owns: how far that has got (`Gone`), and the words that a roll's history has for it. Such a roll is
not forgotten: should its folder be there again, it is the same roll, with its history.
Must not: decide that a folder is gone; the landing does.
"""

from sqlite3 import Connection

from syncd.journal import rolls
from syncd.journal.rows import Gone, Origin, RollRow, select
from syncd.roll.stages import HeldCode


def set_gone(db: Connection, roll_id: str, gone: Gone | None) -> None:
    """Record what has become of a roll whose folder is gone; None: it is there."""
    db.execute("UPDATE roll SET gone = ?1 WHERE roll_id = ?2", (gone, roll_id))


def leave(db: Connection, roll_id: str, source: str, *, now_utc_ms: int) -> None:
    """Take a held roll of which nothing was sent from the lists.

    The storage may have turned it away, and is still to be told.
    """
    rolls.release(db, roll_id, now_utc_ms=now_utc_ms)
    set_gone(db, roll_id, Gone.ENDING)
    text = f"off the list: its folder {source} is gone, and nothing of it was sent"
    rolls.note(db, roll_id, text, now_utc_ms=now_utc_ms)


def miss(db: Connection, roll_id: str, message: str, *, now_utc_ms: int) -> None:
    """Hold a roll until its folder is there again, or a person ends it."""
    set_gone(db, roll_id, Gone.MISSED)
    code = HeldCode.SOURCE_UNREADABLE
    rolls.hold(db, roll_id, code, message, None, now_utc_ms=now_utc_ms)


def end(db: Connection, roll_id: str, *, now_utc_ms: int) -> None:
    """Wait for a missed roll no more, as a person says; the storage is still to be told."""
    rolls.release(db, roll_id, now_utc_ms=now_utc_ms)
    set_gone(db, roll_id, Gone.ENDING)
    text = "off the list, as a person says: its folder is gone, and it is not to come any more"
    rolls.note(db, roll_id, text, now_utc_ms=now_utc_ms)


def come_back(db: Connection, row: RollRow, text: str, *, now_utc_ms: int) -> None:
    """Let a roll go on whose folder is there again."""
    set_gone(db, row.roll_id, None)
    if row.held is not None and row.held.code is HeldCode.SOURCE_UNREADABLE:
        rolls.release(db, row.roll_id, now_utc_ms=now_utc_ms)
    rolls.note(db, row.roll_id, text, now_utc_ms=now_utc_ms)


def to_tell(db: Connection) -> list[RollRow]:
    """Return the rolls from a landing of which the storage has to be told: MISSED and ENDING."""
    return select(
        db,
        "WHERE gone IN (?1, ?2) AND same_as IS NULL AND origin = ?3",
        *(Gone.MISSED, Gone.ENDING, Origin.LANDING),
    )
