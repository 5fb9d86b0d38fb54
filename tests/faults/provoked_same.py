"""Situations in which one content comes by two names, or under evidence that changes on the way.

Owns: bringing them about, as provoked.py does for others. Each function raises AssertionError if a
promise is broken.
"""

import asyncio

from syncd.journal import notices
from syncd.roll.stages import Stage, is_before
from tests.faults.provoked import looked_at
from tests.faults.scenes import (
    listing,
    moves,
    order_by_hand,
    put_files,
    put_roll,
    reaches,
    stored,
    touch,
    until,
)
from tests.faults.world import DAY, LANDING, World

NAMES = ("A012", "A012-copy")
SIZES = (2_000, 9_000, 20_000)


def _files(world: World) -> dict[str, bytes]:
    """Return small files and one larger one, which share parcels in many ways."""
    small = {
        f"Stills/A012_{n:05}.dpx": world.rng.randbytes(world.rng.randrange(500, 3_000))
        for n in range(24)
    }
    return {"Clips/A012C001.mov": world.rng.randbytes(world.rng.choice(SIZES)), **small}


@looked_at
async def one_content_under_two_names(world: World) -> None:
    """Both are under way at a time, perhaps with a loss of power: one is published, and told."""
    files = _files(world)
    order_by_hand(world.offload, None, paused=True)
    for name, algorithm in zip(NAMES, ("md5", "xxh64"), strict=True):
        put_roll(world, name, files, evidence={f"{name}.{algorithm}": listing(files, algorithm)})
    await until(lambda: len(world.processing.rows()) == len(NAMES), "both are taken")
    order_by_hand(world.offload, NAMES[world.seed % 2], rank=1)
    order_by_hand(world.offload, None, paused=False)
    if world.seed % 3 == 0:
        await moves(world, NAMES[world.seed % 2])
        await asyncio.sleep(world.rng.uniform(0.0, 0.2))
        await world.processing.lose_power()
    await until(lambda: _all_ready(world), "both offers are ready")
    await asyncio.sleep(70.0)
    with world.processing.journal.read() as db:
        found = notices.after(db, 0, limit=1000, kinds={"landed", "ready", "held"})
    said = sorted(notice.kind for notice in found)
    assert said == ["landed", "ready"], f"promise 6: one content was told as {said}"
    there = [name for name in NAMES if stored(world, name)]
    assert len(there) == 1, f"promise 7: one content was published as {there}"


def _all_ready(world: World) -> bool:
    rows = world.offload.rows()
    return len(rows) == len(NAMES) and not any(is_before(row.stage, Stage.READY) for row in rows)


@looked_at
async def a_list_is_written_again_on_the_way(world: World) -> None:
    """The lanes are busy meanwhile: no parcel of the old cut is taken for one of the new."""
    # All of one size: one more file at the front moves them to other parcels of the same shape.
    files = {f"Stills/A012_{n:05}.dpx": world.rng.randbytes(1200) for n in range(300)}
    plain = listing(files)
    world.net.delay_s = lambda: world.rng.uniform(0.02, 0.3)  # type: ignore[method-assign]
    put_roll(world, "A012", files, evidence={"0.md5": plain})
    await moves(world, "A012", least_bytes=1 + world.seed * 1_000 % 20_000)
    again = {
        "0.md5": b"# checked twice\n" + plain,
        "1.md5": listing(dict([min(files.items())])),
    }
    put_files(world.offload, f"{LANDING}/{DAY}/A012", again, replace=True)
    touch(world, "A012")
    await asyncio.sleep(4.5)  # until right before it has been still for long enough
    for link in world.net.links():
        link.slow_s = 6.0
    await asyncio.sleep(12.0)
    for link in world.net.links():
        link.slow_s = 0.0
    await reaches(world, "A012")
    with world.processing.journal.read() as db:
        blamed = notices.after(db, 0, limit=1000, kinds={"resend", "held"})
    there = stored(world, "A012")
    assert all(there[path] == data for path, data in again.items()), "promise 1: an older list"
    assert not blamed, f"promise 5: blamed for nothing: {[each.body for each in blamed]}"
