"""Rolls that are one with another: the same content, offered under another name or evidence.

Owns: finding published rolls that may have a roll's content; the rows that only lead to another one
(`same_as`: on the storage's side another offer of it, on the offload box what lay in its folder
before); and those whose further stages are told under another id (`told_as`, on the offload box).
Must not: decide that two are the same; storage/same.py reads.
"""

from collections.abc import Mapping
from sqlite3 import Connection

from syncd.journal import also, rolls
from syncd.journal.rows import Origin, RollRow, key_of, select
from syncd.roll.inventory import Inventory, media_amount
from syncd.roll.stages import Stage

SAME_KIND = "same-content"  # the notice of a roll that was told before, under another id


def published_like(db: Connection, inventory: Inventory) -> list[RollRow]:
    """Return the published rolls with as many media files, and bytes in them, as inventory has."""
    count, total_bytes = media_amount(inventory)
    return select(
        db,
        "WHERE media_bytes = CAST(?1 AS INTEGER) AND media_files = CAST(?2 AS INTEGER)"
        " AND origin = ?3 AND same_as IS NULL AND published_path IS NOT NULL",
        str(total_bytes),
        str(count),
        Origin.PEER,
    )


def add_same(
    db: Connection, inventory: Inventory, other: RollRow, *, peer: str, now_utc_ms: int
) -> None:
    """Journal another offer of a published roll; nobody is told anew that it landed."""
    rolls.add_roll(
        db,
        inventory,
        origin=Origin.PEER,
        peer=peer,
        stage=Stage.READY,
        route="peer",
        now_utc_ms=now_utc_ms,
        kind=SAME_KIND,
        data=_data(other),
    )
    _lead_to(db, inventory.roll_id, other)


def become_same(db: Connection, roll_id: str, other: RollRow, *, now_utc_ms: int) -> None:
    """Let an unfinished roll be no more than another offer of one that was published meanwhile."""
    row = rolls.get(db, roll_id)
    assert row is not None, "it is under way"
    rolls.release(db, roll_id, now_utc_ms=now_utc_ms)
    db.execute("UPDATE roll SET stage = ? WHERE roll_id = ?", (Stage.READY, roll_id))
    rolls.set_publish_intent(db, roll_id, None)
    _lead_to(db, roll_id, other)
    key = key_of(db, roll_id)
    for statement in _FORGET:  # they speak of the copy that is given up
        db.execute(statement, (key,))
    text = f"the same content was published meanwhile as {other.published_path}; it is one roll"
    data = _data(other)
    rolls.note(db, roll_id, text, now_utc_ms=now_utc_ms, kind=SAME_KIND, data=data)
    note_offered(db, other, row.peer or "", f"{row.day}/{row.name}", roll_id, now_utc_ms=now_utc_ms)


def note_offered(
    db: Connection, other: RollRow, peer: str, path: str, roll_id: str, *, now_utc_ms: int
) -> None:
    """Say in a published roll's history that it was offered again, by whom and as what."""
    text = f"offered again by {peer} as {path} ({roll_id}), with other evidence; it is one roll"
    rolls.note(db, other.roll_id, text, now_utc_ms=now_utc_ms)


_FORGET = (
    "DELETE FROM parcel WHERE roll_key = ?",
    "DELETE FROM proof WHERE roll_key = ?",
    "DELETE FROM good_at WHERE roll_key = ?",
    "DELETE FROM mismatch WHERE roll_key = ?",
)


def leads_to(db: Connection, row: RollRow) -> RollRow:
    """Return the roll that a row only leads to, perhaps by way of others; else the row itself."""
    met = {row.roll_id}
    while row.same_as is not None and row.same_as not in met:
        other = rolls.get(db, row.same_as)
        if other is None:
            break
        met.add(other.roll_id)
        row = other
    return row


def names_of(db: Connection) -> dict[str, list[str]]:
    """Return the other names and ids, DAY/ROLL and id each, under which rolls were offered."""
    found: dict[str, list[str]] = {}
    for row in select(db, "WHERE origin = ? AND same_as IS NOT NULL", Origin.PEER):
        found.setdefault(row.same_as or "", []).extend([f"{row.day}/{row.name}", row.roll_id])
    for roll_id, other in also.all_names(db):
        found.setdefault(roll_id, []).append(f"{other.day}/{other.name}")
    return found


def tell_as(db: Connection, roll_id: str, told_id: str) -> None:
    """Record under which id the storage tells what becomes of a roll from now on."""
    db.execute("UPDATE roll SET told_as = ? WHERE roll_id = ?", (told_id, roll_id))


def told_of(db: Connection, told_id: str) -> list[RollRow]:
    """Return the rolls from a landing that are meant when the storage tells of an id."""
    return select(
        db,
        "WHERE roll_id = ?1 OR told_as = ?1",
        told_id,
    )


def _lead_to(db: Connection, roll_id: str, other: RollRow) -> None:
    rolls.set_published(db, roll_id, other.published_path or "")
    row = rolls.get(db, roll_id)
    assert row is not None, "journalled just now"
    rolls.set_moved(db, roll_id, row.total_bytes)
    rolls.set_same_as(db, roll_id, other.roll_id)


def _data(other: RollRow) -> Mapping[str, str]:
    """Return what the other end needs to know: whose news are this roll's, and how far it is."""
    return {"same_as": other.roll_id, "stage": other.stage.value}
