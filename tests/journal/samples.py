"""Rolls of the feature "Salt Meridian", made up in memory."""

from sqlite3 import Connection

from syncd.journal import rolls
from syncd.journal.rolls import Origin
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, FileKind, Inventory
from syncd.roll.stages import Stage

DAY = "2026-03-14_D12"
NOW = 1_773_507_600_000  # 2026-03-14T17:00:00Z


def roll_of(name: str = "A012", *, file_count: int = 3, size_bytes: int = 1000) -> Inventory:
    """Return a roll with digests of two kinds, an empty folder and a manifest."""
    clips = [
        FileEntry(
            f"Clips/{name}C{index:06}.mov",
            size_bytes,
            1_700_000_000_123_456_789 + index,
            (
                Digest(Algorithm.XXH64, index.to_bytes(8, "big")),
                Digest(Algorithm.MD5, index.to_bytes(16, "big")),
            ),
        )
        for index in range(file_count)
    ]
    manifest = FileEntry("ascmhl/0001.mhl", 10, 5, kind=FileKind.EVIDENCE)
    return Inventory(DAY, name, (*clips, manifest), ("Audio", "Größe"))


def add(
    db: Connection,
    name: str = "A012",
    *,
    stage: Stage = Stage.VERIFIED,
    origin: Origin = Origin.LANDING,
    now_utc_ms: int = NOW,
    rank: int = 100,
    needed_by_utc_ms: int | None = None,
) -> str:
    """Journal a roll and return its id."""
    inventory = roll_of(name)
    assert rolls.add_roll(
        db,
        inventory,
        origin=origin,
        peer="process-1",
        stage=stage,
        source_path=f"/landing/{DAY}/{name}",
        rank=rank,
        needed_by_utc_ms=needed_by_utc_ms,
        now_utc_ms=now_utc_ms,
    )
    return inventory.roll_id
