"""Boxes that have handed over thousands of rolls: what their journals and the storage then have.

Owns: the rows and records that real hand-offs leave, made without moving a byte; that they are the
same is tested in test_many_rolls.py. The journals are filled while nobody has them open. Of
published rolls there are the folder and the storage's own record, and no media.
Must not: run a daemon.
"""

import time
from collections.abc import Iterator, Sequence
from pathlib import Path

import xxhash

from syncd.edges.disk import RealDisk
from syncd.journal import notices, parcels, rolls, settings
from syncd.journal.journal import Connection, Journal
from syncd.journal.opening import NAME
from syncd.journal.parcels import Proof
from syncd.journal.rolls import Origin
from syncd.limits import NOTICES_KEPT
from syncd.ports import Folder, ReadLevel
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, FileKind, Inventory
from syncd.roll.stages import Stage
from syncd.storage.layout import ROLLS, target_of
from syncd.storage.papers import TOLD, published_path
from syncd.storage.records import PublishedRecord, published_record
from tests.boxes import Box, Pair

FILES_PER_ROLL, CLIP_BYTES = 20, 1_000
ROLLS_PER_DAY = 100
ROLLS_PER_COMMIT = 500
SECONDS_BETWEEN_ROLLS = 600


def past_rolls(count: int) -> list[Inventory]:
    """Return so many rolls of the days before, each with content of its own."""
    return [_past_roll(number) for number in range(count)]


def _past_roll(number: int) -> Inventory:
    day = f"2025-{number // ROLLS_PER_DAY // 28 % 12 + 1:02}-{number // ROLLS_PER_DAY % 28 + 1:02}"
    name = f"A{number:05}"
    clips = [
        FileEntry(f"Clips/{name}C{n:03}.mov", CLIP_BYTES, 1_700_000_000_000_000_000, _digests(name))
        for n in range(FILES_PER_ROLL)
    ]
    evidence = [
        FileEntry(path, 3_000, 5, (_xxh128(path),), FileKind.EVIDENCE)
        for path in (f"ascmhl/0001_{name}_2025-01-01_000000Z.mhl", "ascmhl/ascmhl_chain.xml")
    ]
    return Inventory(day, name, (*clips, *evidence))


def _digests(text: str) -> tuple[Digest, ...]:
    return (Digest(Algorithm.XXH64, xxhash.xxh64_digest(text.encode())),)


def _xxh128(text: str) -> Digest:
    return Digest(Algorithm.XXH128, xxhash.xxh3_128_digest(text.encode()))


def fill(pair: Pair, count: int) -> list[Inventory]:
    """Let both boxes of a pair, started once and stopped again, know so many ready rolls."""
    made = past_rolls(count)
    began_utc_ms = time.time_ns() // 1_000_000 - count * SECONDS_BETWEEN_ROLLS * 1000
    arrived = [began_utc_ms + n * SECONDS_BETWEEN_ROLLS * 1000 for n in range(count)]
    with _open(pair.processing) as journal:
        for part in _parts(made, arrived):
            with journal.write() as db:
                for roll, now in part:
                    _published(db, roll, pair.offload, now)
        told = _forget_old_notices(journal)
        told_by = journal.journal_id
    with _open(pair.offload) as journal:
        for part in _parts(made, arrived):
            with journal.write() as db:
                for roll, now in part:
                    _handed_over(db, roll, pair.landing, pair.processing, now)
        _forget_old_notices(journal)
        with journal.write() as db:
            settings.put(db, f"journal-of:{pair.processing.name}", told_by)
            notices.set_cursor(db, f"tidings:{pair.processing.name}", told)
    _store(pair.storage, made, pair.offload)
    return made


def _open(box: Box) -> Journal:
    return Journal(box.folder / "state" / NAME, box=box.fingerprint)


def _parts(
    made: Sequence[Inventory], arrived: Sequence[int]
) -> Iterator[Sequence[tuple[Inventory, int]]]:
    """Yield rolls, each with when it arrived, as many at a time as go into one transaction."""
    pairs = list(zip(made, arrived, strict=True))
    for first in range(0, len(pairs), ROLLS_PER_COMMIT):
        yield pairs[first : first + ROLLS_PER_COMMIT]


def _forget_old_notices(journal: Journal) -> int:
    """Keep as many notices as a daemon does; return the number of the last one."""
    with journal.write() as db:
        last = notices.last_seq(db)
        notices.prune(db, last - NOTICES_KEPT)
    return last


def _handed_over(db: Connection, roll: Inventory, landing: Path, to: Box, now: int) -> None:
    """Write what the offload box writes in the course of one hand-off."""
    source = str(landing / roll.day / roll.name)
    rolls.add_arriving(db, roll.day, roll.name, source_path=source, now_utc_ms=now)
    rolls.add_roll(
        db,
        roll,
        origin=Origin.LANDING,
        peer=None,
        stage=Stage.VERIFIED,
        route="peer",
        source_path=source,
        now_utc_ms=now,
    )
    for stage, note in (
        (Stage.MOVING, f"handing over to {to.name}"),
        (Stage.READING_BACK, f"told by {to.name}"),
        (Stage.LANDED, f"{to.name}: {_landed_note(roll)}"),
        (Stage.READY, f"{to.name}: published as {target_of(roll)}"),
    ):
        rolls.set_stage(db, roll.roll_id, stage, now_utc_ms=now, note=note)
    rolls.set_moved(db, roll.roll_id, roll.total_bytes)


def _published(db: Connection, roll: Inventory, by: Box, now: int) -> None:
    """Write what the processing box writes."""
    rolls.add_roll(
        db,
        roll,
        origin=Origin.PEER,
        peer=by.name,
        stage=Stage.MOVING,
        route="peer",
        now_utc_ms=now,
    )
    pieces = b"".join(_xxh128(entry.path).value for entry in roll.files)
    parcels.record_durable(db, roll.roll_id, {0: pieces})
    proved = {index: _proof(entry, now) for index, entry in enumerate(roll.files)}
    parcels.record_proved(db, roll.roll_id, proved, now_utc_ms=now)
    rolls.set_stage(db, roll.roll_id, Stage.READING_BACK, now_utc_ms=now)
    rolls.set_published(db, roll.roll_id, target_of(roll), evidence=_evidence(roll))
    rolls.set_moved(db, roll.roll_id, roll.total_bytes)
    data = {"path": target_of(roll), "files": len(roll.files), "read_level": ReadLevel.DIRECT.value}
    for stage, note in (
        (Stage.LANDED, _landed_note(roll)),
        (Stage.READY, f"published as {target_of(roll)}"),
    ):
        rolls.set_stage(db, roll.roll_id, stage, now_utc_ms=now, note=note, data=data)


def _landed_note(roll: Inventory) -> str:
    return (
        f"{len(roll.files)} files, 26.0 kB, read back past the cache and compared; "
        f"published as {target_of(roll)}"
    )


def _proof(entry: FileEntry, now_utc_ms: int) -> Proof:
    digests = dict.fromkeys((*entry.digests, _xxh128(entry.path)))
    return Proof(tuple(digests), ReadLevel.DIRECT, now_utc_ms * 1_000_000)


def _evidence(roll: Inventory) -> tuple[FileEntry, ...]:
    """Return the manifests that lie in a published roll: one more than in its inventory."""
    kept = [entry for entry in roll.files if entry.kind is FileKind.EVIDENCE]
    path = f"ascmhl/0002_{roll.name}_2025-01-01_000000Z.mhl"
    return (kept[0], FileEntry(path, 6_000, 5, (_xxh128(path),), FileKind.EVIDENCE), kept[1])


def _store(storage: Path, made: Sequence[Inventory], by: Box) -> None:
    """Make the folders of published rolls, and what the storage notes of them."""
    disk = RealDisk()
    folder = disk.open_folder(str(storage))
    folder.make_folders(ROLLS)
    for record in _records(made, by):
        folder.make_folders(target_of(record.inventory))
        _write(folder, published_path(record.inventory.roll_id), published_record(record))
        _write(folder, f"{published_path(record.inventory.roll_id)}{TOLD}", b"")
    folder.close()
    disk.close()


def _write(folder: Folder, path: str, data: bytes) -> None:
    """Write a file without the sync that the daemon makes: ten thousand take minutes."""
    file = folder.open_write(path)
    file.write([memoryview(data)], 0)
    file.close()


def _records(made: Sequence[Inventory], by: Box) -> Iterator[PublishedRecord]:
    for roll in made:
        digests = tuple(_xxh128(entry.path).value for entry in roll.files)
        yield PublishedRecord(roll, by.name, _evidence(roll), digests, 1_735_689_600_000)
