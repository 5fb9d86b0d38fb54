"""Published rolls that are not where they were published (any more), as both boxes keep them.

Owns: what is said of such a roll (`astray`, on the storage's box and on the one that brought it),
that a person put it away on purpose, and that one is handed over again because a person says so.
Must not: look for a roll, or send one again without a person's word.
"""

from sqlite3 import Connection

from syncd.journal import rolls
from syncd.journal.rows import Gone, Origin, RollRow, key_of
from syncd.roll.stages import Stage

GONE_KIND = "gone"
BACK_KIND = "back"
PUT_AWAY_KIND = "put-away"
ADOPTED_KIND = "adopted"  # taken up from the storage: it lies there
KINDS = frozenset({GONE_KIND, BACK_KIND, PUT_AWAY_KIND, ADOPTED_KIND})
PUT_AWAY = "put away, as a person says"
_NOTED = f" It was {PUT_AWAY}."


def stray(
    db: Connection,
    row: RollRow,
    message: str,
    *,
    now_utc_ms: int,
    heard_from: str = "",
    quiet: bool = False,
) -> bool:
    """Record that a roll is not where it was published; False if nothing is to be told of it.

    That is so if the same was said before, or if a person put it away on purpose.
    heard_from: what stands before the message in its history. quiet: without line and notice.
    """
    if row.astray == message:
        return False
    _set(db, row.roll_id, message, is_put_away=row.put_away)
    if row.put_away:
        return False
    if not quiet:
        rolls.note(db, row.roll_id, heard_from + message, now_utc_ms=now_utc_ms, kind=GONE_KIND)
    return True


def come_back(
    db: Connection, row: RollRow, text: str, *, now_utc_ms: int, quiet: bool = False
) -> bool:
    """Record that a roll is where it was published again; False if it never was elsewhere."""
    if row.astray is None:
        return False
    _set(db, row.roll_id, None, is_put_away=False)
    if not quiet:
        rolls.note(db, row.roll_id, text, now_utc_ms=now_utc_ms, kind=BACK_KIND)
    return True


def put_away(
    db: Connection, row: RollRow, *, now_utc_ms: int, heard_from: str = "", quiet: bool = False
) -> bool:
    """Record that a roll is gone on purpose; False if that was known, or it is not gone."""
    if row.astray is None or row.put_away:
        return False
    _set(db, row.roll_id, row.astray, is_put_away=True)
    if not quiet:
        text = heard_from + PUT_AWAY
        rolls.note(db, row.roll_id, text, now_utc_ms=now_utc_ms, kind=PUT_AWAY_KIND)
    return True


def find_put_away(
    db: Connection,
    row: RollRow,
    message: str,
    *,
    now_utc_ms: int,
    heard_from: str = "",
    quiet: bool = False,
) -> bool:
    """Record that a roll is gone, and noted as put away: one word for both, and none that alarms.

    message: as for stray(). False if that was known.
    """
    if row.put_away:
        return False
    _set(db, row.roll_id, message, is_put_away=True)
    if not quiet:
        text = f"{heard_from}{message}{_NOTED}"
        rolls.note(db, row.roll_id, text, now_utc_ms=now_utc_ms, kind=PUT_AWAY_KIND)
    return True


def follow(
    db: Connection, row: RollRow, kind: str, text: str, *, box: str, now_utc_ms: int, quiet: bool
) -> bool:
    """Record for a roll that was handed over what the storage's box says of where it is.

    False if that is nothing new. quiet: as in stray().
    """
    said_by = f"{box}: "
    if kind == GONE_KIND:
        return stray(db, row, text, now_utc_ms=now_utc_ms, heard_from=said_by, quiet=quiet)
    if kind == PUT_AWAY_KIND and row.astray is None and text.endswith(_NOTED):
        message = text.removesuffix(_NOTED)  # the storage's journal was lost before we heard of it
        return find_put_away(
            db, row, message, now_utc_ms=now_utc_ms, heard_from=said_by, quiet=quiet
        )
    if kind == PUT_AWAY_KIND:
        return put_away(db, row, now_utc_ms=now_utc_ms, heard_from=said_by, quiet=quiet)
    text = text or "found on the storage again"  # a box that has just taken it up says no more
    return come_back(db, row, said_by + text, now_utc_ms=now_utc_ms, quiet=quiet)


def hand_over_again(db: Connection, row: RollRow, source: str, *, now_utc_ms: int) -> None:
    """Let a roll begin anew that the storage has no more; the landing looks at it before.

    source: the folder on the landing that holds it.
    """
    assert row.origin is Origin.LANDING, "only a box that has it can hand it over"
    db.execute(
        "UPDATE roll SET stage = ?, gone = ?, source_path = ?, moved_bytes = 0, astray = NULL,"
        " put_away = 0, expected_utc_ms = NULL, told_as = NULL WHERE roll_id = ?",
        (Stage.VERIFIED, Gone.AWAITED, source, row.roll_id),
    )
    # With the roll, the storage's box forgets its names.
    db.execute("UPDATE also SET told = 0 WHERE roll_key = ?", (key_of(db, row.roll_id),))
    text = f"handed over again, as a person says, from {source}: {row.astray}"
    kind = Stage.VERIFIED.value
    rolls.note(db, row.roll_id, text, now_utc_ms=now_utc_ms, kind=kind)


def arrived(db: Connection, roll_id: str) -> None:
    """Record that a roll has arrived just now: what was said of it before is over."""
    _set(db, roll_id, None, is_put_away=False)


def _set(db: Connection, roll_id: str, message: str | None, *, is_put_away: bool) -> None:
    db.execute(
        "UPDATE roll SET astray = ?1, put_away = ?2 WHERE roll_id = ?3"
        " AND (astray IS NOT ?1 OR put_away <> ?2)",
        (message, is_put_away, roll_id),
    )
