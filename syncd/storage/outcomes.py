"""What reading back and publishing mean for the journal: each outcome in one transaction.

Owns: the words and data of the notices that tell of it.
Must not: touch the storage.
"""

from collections.abc import Collection, Mapping, Sequence
from typing import Any

from syncd.counted import counted
from syncd.errors import HeldError
from syncd.journal import parcels, rolls
from syncd.journal.journal import Connection, Journal
from syncd.journal.parcels import Proof
from syncd.journal.rolls import Origin
from syncd.ports import ReadLevel
from syncd.roll.digests import Digest
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.stages import HeldCode, Stage, is_before
from syncd.storage.amounts import human
from syncd.storage.layout import target_of
from syncd.storage.proving import Damage
from syncd.storage.receiving import ReceivingRoll
from syncd.storage.records import PublishedRecord

NAMED_MAX = 5  # files in one sentence
TOLD_MAX = 100  # a notice stays small, however much of a file is wrong
_LEVELS = (ReadLevel.CACHED, ReadLevel.DROPPED, ReadLevel.DIRECT)  # weakest first
_LEVEL_TEXT = {
    ReadLevel.CACHED: "read back from a memory file system",
    ReadLevel.DROPPED: "read back after the cache was dropped",
    ReadLevel.DIRECT: "read back past the cache",
}


def record_proofs(
    journal: Journal,
    roll: ReceivingRoll,
    proofs: Mapping[int, Proof],
    version: int,
    *,
    now_utc_ms: int,
) -> bool:
    """Record files that proved good; the first ones after the last parcel begin the stage.

    version: the roll's when they were read; False if it is over: they are to be proved again.
    """
    with journal.write() as db:
        if not roll.record_proofs(db, proofs, version, now_utc_ms):
            return False
        row = rolls.get(db, roll.roll_id)
        # A new stage would release a roll that is held for another reason meanwhile.
        if row is not None and row.held is None and roll.is_all_durable:
            rolls.set_stage(db, roll.roll_id, Stage.READING_BACK, now_utc_ms=now_utc_ms)
    roll.count_proved(proofs)
    return True


def record_damage(
    journal: Journal, roll: ReceivingRoll, damage: Damage, *, now_utc_ms: int
) -> None:
    """Have the parcels sent again, once; a second time the roll is held for a person.

    Held or not, the parcels are lacking from now on: what is wrong is never kept as good.
    """
    with journal.write() as db:
        roll.forget(db, damage.parcels)
        count = parcels.count_mismatch(db, roll.roll_id, damage.file_index)
        if count == 1:
            _ask_again(db, roll, damage, now_utc_ms)
        else:
            _hold_damaged(db, roll, damage, count, now_utc_ms)


def _ask_again(db: Connection, roll: ReceivingRoll, damage: Damage, now_utc_ms: int) -> None:
    row = rolls.get(db, roll.roll_id)
    if row is not None and row.stage is Stage.READING_BACK:
        rolls.set_stage(db, roll.roll_id, Stage.MOVING, now_utc_ms=now_utc_ms, note="sent again")
    text = f"wrong when read back, sent again: {damage.describe()}"
    rolls.note(
        db, roll.roll_id, text, now_utc_ms=now_utc_ms, kind="resend", data=_damage_data(damage)
    )


def _hold_damaged(
    db: Connection, roll: ReceivingRoll, damage: Damage, count: int, now_utc_ms: int
) -> None:
    name = target_of(roll.inventory)
    message = (
        f"{name}: wrong {count} times when read back: {damage.describe()} "
        "Check the storage's disks and memory, then `syncd go` the roll; do not clear the card."
    )
    code = HeldCode.READ_BACK_MISMATCH
    rolls.hold(db, roll.roll_id, code, message, damage.path, now_utc_ms=now_utc_ms)


def record_lost(
    journal: Journal,
    roll: ReceivingRoll,
    numbers: Collection[int],
    files: Collection[int],
    *,
    now_utc_ms: int,
) -> None:
    """Have what is gone from the storage sent again, once; a second time hold the roll."""
    paths = sorted(roll.inventory.files[index].path for index in files)
    text = f"gone from .syncd/incoming on the storage: {_named(paths)}"
    with journal.write() as db:
        roll.forget(db, numbers)
        count = max(parcels.count_mismatch(db, roll.roll_id, index) for index in files)
        row = rolls.get(db, roll.roll_id)
        if count == 1 or row is None or row.held is not None:
            _back_to_moving(db, row, now_utc_ms)
            data = {"path": paths[0], "paths": paths[:TOLD_MAX]}
            note = f"{text}; sent again"
            rolls.note(db, roll.roll_id, note, now_utc_ms=now_utc_ms, kind="resend", data=data)
            return
        message = (
            f"{target_of(roll.inventory)}: for the second time {text}. Find out who removes files "
            "there, then `syncd go` the roll; do not clear the card."
        )
        code = HeldCode.STORAGE_ERROR
        rolls.hold(db, roll.roll_id, code, message, paths[0], now_utc_ms=now_utc_ms)


def _back_to_moving(db: Connection, row: rolls.RollRow | None, now_utc_ms: int) -> None:
    """Show that parcels travel again; a roll that is held stays held."""
    if row is not None and row.held is None and row.stage is Stage.READING_BACK:
        note = "sent again"
        rolls.set_stage(db, row.roll_id, Stage.MOVING, now_utc_ms=now_utc_ms, note=note)


def record_doubts(
    journal: Journal, roll: ReceivingRoll, files: Collection[int], *, now_utc_ms: int
) -> None:
    """Trust the proofs of these files no more, and say so."""
    text = (
        "no longer as left when read back, so read back again: "
        f"{_named([roll.inventory.files[index].path for index in files])}"
    )
    with journal.write() as db:
        roll.forget_proofs(db, files)
        rolls.note(db, roll.roll_id, text, now_utc_ms=now_utc_ms)


def _named(paths: Sequence[str]) -> str:
    """Name some files, and count the others."""
    more = f" and {counted(len(paths) - NAMED_MAX, 'more file')}" if len(paths) > NAMED_MAX else ""
    return ", ".join(paths[:NAMED_MAX]) + more


def _damage_data(damage: Damage) -> dict[str, Any]:
    return {
        "path": damage.path,
        "side": damage.side,
        "ranges": [
            {
                "offset": r.offset_bytes,
                "length": r.length_bytes,
                "expected": f"xxh128:{r.expected.hex()}",
                "found": f"xxh128:{r.found.hex()}",
            }
            for r in damage.ranges[:TOLD_MAX]
        ],
        "expected": _text(damage.expected),
        "found": _text(damage.found),
        "parcels": list(damage.parcels[:TOLD_MAX]),
    }


def _text(digest: Digest | None) -> str | None:
    return None if digest is None else str(digest)


def record_published(
    journal: Journal,
    inventory: Inventory,
    sealed: Sequence[FileEntry],
    final_stages: Sequence[Stage],
    *,
    now_utc_ms: int,
) -> None:
    """Say in one transaction that the roll is published, landed and ready."""
    roll_id, target = inventory.roll_id, target_of(inventory)
    with journal.write() as db:
        level = weakest(parcels.proof_levels(db, roll_id))
        amount = f"{counted(len(inventory.files), 'file')}, {human(inventory.total_bytes)}"
        data = {"path": target, "files": len(inventory.files), "read_level": level.value}
        rolls.set_published(db, roll_id, target, evidence=sealed)
        rolls.set_publish_intent(db, roll_id, None)
        rolls.set_moved(db, roll_id, inventory.total_bytes)
        note = f"{amount}, {_LEVEL_TEXT[level]} and compared; published as {target}"
        for stage in final_stages:
            rolls.set_stage(db, roll_id, stage, now_utc_ms=now_utc_ms, note=note, data=data)
            note = f"published as {target}"


def weakest(levels: Any) -> ReadLevel:
    """Return the level that holds for all of them."""
    return min(levels, key=_LEVELS.index, default=ReadLevel.DIRECT)


def record_held(
    journal: Journal, roll_id: str, error: HeldError, now_utc_ms: int, *, quiet: bool = False
) -> bool:
    """Hold a roll for the reason that an error gives; not one that has landed meanwhile.

    quiet, and what is returned: as of rolls.hold().
    """
    with journal.write() as db:
        row = rolls.get(db, roll_id)
        if row is None or not is_before(row.stage, Stage.LANDED):
            return False
        text, path = str(error).strip(), error.path
        return rolls.hold(db, roll_id, error.code, text, path, now_utc_ms=now_utc_ms, quiet=quiet)


def add_published(
    db: Connection, record: PublishedRecord, *, stage: Stage, now_utc_ms: int, kind: str | None
) -> bool:
    """List a roll that only the storage's record tells of; False if the journal has it by now.

    now_utc_ms, kind: as for rolls.add_roll().
    """
    inventory = record.inventory
    is_new = rolls.add_roll(
        db,
        inventory,
        origin=Origin.PEER,
        peer=record.peer,
        stage=stage,
        route="peer",
        now_utc_ms=now_utc_ms,
        kind=kind,
    )
    if is_new:
        roll_id = inventory.roll_id
        rolls.set_published(db, roll_id, target_of(inventory), evidence=record.evidence)
        rolls.set_moved(db, roll_id, inventory.total_bytes)
    return is_new
