"""Rolls that rest in favour of what lies in their folder now, and go on if it is theirs again.

Owns: when one rests, when it goes on, and what is offered meanwhile.
Must not: open a transaction; every function takes the connection of one.
"""

from syncd.journal import history, leaving, rolls
from syncd.journal.journal import Connection
from syncd.journal.rolls import ARRIVING_PREFIX, RollRow
from syncd.roll.inventory import Inventory, may_be_same_media
from syncd.roll.stages import HeldCode, Stage, is_before

# What the landing holds a verified roll for, and so may lift again.
OF_THE_SOURCE = frozenset({HeldCode.SOURCE_CHANGED, HeldCode.SOURCE_UNREADABLE})
# What the hand-off holds a roll for until its files are offloaded again.
CURED_BY_OFFLOADING = OF_THE_SOURCE | {HeldCode.EVIDENCE_MISMATCH, HeldCode.FILE_MISSING}
# What a person cures on the landing, whoever has held the roll for it.
CURED_ON_THE_LANDING = CURED_BY_OFFLOADING | {HeldCode.FILE_UNLISTED, HeldCode.NAME_UNSAFE}


def rest(
    db: Connection,
    older_id: str,
    newer: Inventory,
    source: str,
    now_utc_ms: int,
    *,
    is_there: bool = True,
) -> None:
    """Let an unfinished roll rest in favour of what lies in its folder now.

    With what may be the same media, under better evidence, only before it travels: afterwards
    it goes on, and the newer one turns out to be the same. With other media, or held for its
    source, it could never be completed; nor if its own evidence is not there any more.
    """
    row = rolls.get(db, older_id)
    if row is None or not needs_source(row) or row.source_path != source:
        return
    can_go_on = is_there and (row.held is None or row.held.code not in CURED_BY_OFFLOADING)
    is_under_way = can_go_on and not is_before(row.stage, Stage.MOVING)
    if is_under_way and may_be_same_media(rolls.load_inventory(db, older_id), newer):
        return
    rolls.release(db, older_id, now_utc_ms=now_utc_ms)
    rolls.set_same_as(db, older_id, newer.roll_id)
    leaving.set_gone(db, older_id, None)
    text = f"rests: its folder holds {newer.roll_id} now, and that is offered instead"
    rolls.note(db, older_id, text, now_utc_ms=now_utc_ms)
    note_once(db, newer.roll_id, f"takes the place of {older_id}", now_utc_ms)
    taken = rolls.get(db, newer.roll_id)
    if taken is not None and taken.held is not None and taken.held.code is HeldCode.NAME_TAKEN:
        # Perhaps by the older one's own half on the storage; the next offer says that it replaces.
        rolls.release(db, newer.roll_id, now_utc_ms=now_utc_ms)


def revive(db: Connection, inventory: Inventory, source: str, now_utc_ms: int) -> bool:
    """Let a roll that rested for another one go on: its own files lie in the folder again.

    Or in another folder, unless the one it rests for may be the same media under other evidence.
    """
    roll_id = inventory.roll_id
    row = rolls.get(db, roll_id)
    if row is None or row.same_as is None or not is_before(row.stage, Stage.LANDED):
        return False
    if row.source_path != source:
        other = rolls.get(db, row.same_as)
        if other and may_be_same_media(rolls.load_inventory(db, other.roll_id), inventory):
            return False
        rolls.set_source_path(db, roll_id, source)
        rolls.rename(db, roll_id, inventory.day, inventory.name)
    rolls.set_same_as(db, roll_id, None)
    text = "its own files are there again"
    text += f", in {source}" if row.source_path != source else ""
    rolls.note(db, roll_id, text, now_utc_ms=now_utc_ms)
    return True


def note_once(db: Connection, roll_id: str, text: str, now_utc_ms: int) -> None:
    """Add a line to a roll's history, unless it is there."""
    if all(line.note != text for line in history.read(db, roll_id)):
        rolls.note(db, roll_id, text, now_utc_ms=now_utc_ms)


def is_placeholder(row: RollRow) -> bool:
    """Tell whether a roll is only shown as arriving."""
    return row.roll_id.startswith(ARRIVING_PREFIX)


def needs_source(row: RollRow) -> bool:
    """Tell whether the roll will still be read from the landing."""
    is_own = not is_placeholder(row) and row.same_as is None
    return is_own and is_before(row.stage, Stage.LANDED)
