"""What happens to a box itself: crashes, its disk, its clock, its person, its subscriber.

Owns: which box is struck, where, and what a roll may then be held for by right.
"""

import asyncio
import errno
import random

from syncd.roll.stages import HeldCode
from tests.faults.scenes import order_by_hand
from tests.faults.sim_journal import POINTS, SimJournal
from tests.faults.sim_net import Plane
from tests.faults.strikes_net import Strike
from tests.faults.world import STORAGE, Box, World

# Operations of the storage that a failing disk may refuse.
STORAGE_OPS = (
    *("write", "sync", "close", "read", "open_read", "open_write", "make_folders", "sync_folder"),
    *("rename_new", "scan", "stat", "file_stat", "read_file", "replace_file", "make_new_file"),
    *("set_mtime", "sync_all", "free_bytes", "remove_tree", "remove_file", "sync_soon"),
)


def _box(world: World, rng: random.Random) -> Box:
    boxes = [world.offload, world.processing, world.processing]
    if not world.editorial.is_down:
        boxes.append(world.editorial)
    return rng.choice([box for box in boxes if not box.is_down] or [world.processing])


def _arm(world: World, rng: random.Random) -> tuple[Box, str]:
    box = _box(world, rng)
    box.is_power = rng.random() < 0.7
    return box, "power lost" if box.is_power else "process killed"


async def crash_at_operation(world: World, rng: random.Random) -> None:
    """Crash at any operation of a disk."""
    box, how = _arm(world, rng)
    box.crash_kind = f"{how} at an operation of the disk"
    box.disk.crash_at_op = box.disk.ops + rng.choice((1, 1 + rng.randrange(10), rng.randrange(200)))


async def crash_at_step(world: World, rng: random.Random) -> None:
    """Crash at any await of any task."""
    box, how = _arm(world, rng)
    box.crash_kind = f"{how} at an await"
    box.gate.crash_at_step = box.gate.steps + rng.randrange(1, 400)


async def crash_at_transaction(world: World, rng: random.Random) -> None:
    """Crash at any of the three moments of a transaction."""
    box, how = _arm(world, rng)
    if not box.is_down and isinstance(box.life, SimJournal):
        box.life.crash_point = rng.choice(POINTS)
        box.life.crash_in = rng.randrange(1, 8)
        box.crash_kind = f"{how} {box.life.crash_point}"


async def crash_at_start(world: World, rng: random.Random) -> None:
    """Crash, and again while starting."""
    box, how = _arm(world, rng)
    box.crash_kind = f"{how} and again while starting"
    box.crash_again_in = rng.randrange(1, 60)
    box.disk.crash_at_op = box.disk.ops + rng.randrange(1, 40)


# The storage


async def storage_error(world: World, rng: random.Random) -> None:
    """Have an operation of the storage fail."""
    world.allowed |= {HeldCode.STORAGE_ERROR, HeldCode.READ_BACK_MISMATCH, HeldCode.STORAGE_ABSENT}
    world.may_forget = True
    op = rng.choice(STORAGE_OPS)
    world.processing.disk.fail_next(op, errno.EIO, times=rng.choice((1, 1, 1, 3)))


async def storage_full(world: World, rng: random.Random) -> None:
    """Leave little room, and make some again."""
    world.allowed.add(HeldCode.STORAGE_FULL)
    world.may_forget = True
    world.strike("storage full")
    world.processing.disk.full_after(rng.randrange(40_000))
    await asyncio.sleep(rng.uniform(0.5, 15.0))
    world.processing.disk.full_after(1 << 40)


async def storage_gone(world: World, rng: random.Random) -> None:
    """Take the storage away, and bring it back."""
    # What fails with "no such file" or "input/output error" just then may look like an error.
    world.allowed |= {HeldCode.STORAGE_ABSENT, HeldCode.STORAGE_ERROR, HeldCode.READ_BACK_MISMATCH}
    world.may_forget = True
    how = rng.choice(("gone", "gone lazily", "another at its path", "another, lazily"))
    world.strike(f"storage {how}")
    world.processing.disk.take_away(
        STORAGE, lazily="lazily" in how, instead=how.startswith("another")
    )
    await asyncio.sleep(rng.uniform(0.1, 20.0))
    world.processing.disk.bring_back(STORAGE)


async def slow_disk(world: World, rng: random.Random) -> None:
    """Have a box's disk answer nobody for a while."""
    box = _box(world, rng)
    world.strike("disk stalls")
    box.hang(rng.choice((0.5, 5.0, 60.0)) * rng.random())


async def flipped_at_rest(world: World, rng: random.Random) -> None:
    """Turn one bit of a file in incoming before it is read; once per file.

    Twice would hold the roll for a person, and after its read-back nobody could notice.
    """
    disk = world.processing.disk

    def at_op(op: str, path: str) -> None:
        inner = path.removeprefix(".syncd/incoming/")
        if op != "open_read" or inner == path or "/roll/" not in inner or "/ascmhl/" in inner:
            return
        data = disk.files_below(f"{STORAGE}/.syncd/incoming").get(inner)
        if data and inner not in world.flipped:
            world.flipped.add(inner)
            world.may_forget = True
            # Found by a second reader, too, such as the one that seals or compares.
            world.allowed.add(HeldCode.READ_BACK_MISMATCH)
            world.strike("bit flipped at rest, storage")
            disk.flip(f"{STORAGE}/{path}", rng.randrange(len(data)), rng.randrange(8))
            disk.at_op = None

    disk.at_op = at_op


async def journal_full(world: World, rng: random.Random) -> None:
    """Refuse some transactions."""
    box = _box(world, rng)
    if not box.is_down and isinstance(box.life, SimJournal):
        world.strike("journal's disk full")
        world.may_forget = True  # what was durable and could not be journalled comes again
        box.life.fails_left = rng.randrange(1, 4)


# Time


async def clock_stepped(world: World, rng: random.Random) -> None:
    """Set a wall clock, forward or back."""
    world.strike("wall clock stepped")
    _box(world, rng).clock.wall_offset_ms += rng.choice((-1, 1)) * rng.choice(
        (1_000, 60_000, 3_600_000, 40 * 86_400_000)
    )


async def laptop_sleep(world: World, rng: random.Random) -> None:
    """A box does nothing for a while, and the network forgets it; then all timers ring late."""
    box = _box(world, rng)
    world.strike("laptop sleep")
    pairs = [frozenset({box.name, other}) for other in world.net.hosts if other != box.name]
    box.sleep()
    for pair in pairs:
        for plane in Plane:
            world.net.quiet(pair, plane)
    await asyncio.sleep(rng.uniform(0.5, 60.0))
    for pair in pairs:
        world.net.reset(pair)
        for plane in Plane:
            world.net.open(pair, plane)
    box.wake()


async def stopped(world: World, rng: random.Random) -> None:
    """A box is stopped for a while; its system keeps its connections."""
    box = _box(world, rng)
    world.strike("process stopped, gone on")
    box.sleep()
    await asyncio.sleep(rng.uniform(0.1, 30.0))
    box.wake()


# People and programs


async def notices_refused(world: World, rng: random.Random) -> None:
    """Have the subscriber refuse."""
    world.strike("notices refused")
    world.listener.refuses_left = rng.randrange(1, 4)


async def notices_fail(world: World, rng: random.Random) -> None:
    """Have the subscriber fail in a way that nobody foresaw."""
    world.strike("subscriber fails")
    world.listener.raises_left = rng.randrange(1, 3)


async def notices_slow(world: World, rng: random.Random) -> None:
    """Have the subscriber take its time."""
    world.strike("notices slow")
    world.listener.slow_s = rng.uniform(0.1, 20.0)
    await asyncio.sleep(rng.uniform(1.0, 20.0))
    world.listener.slow_s = 0.0


async def paused(world: World, rng: random.Random) -> None:
    """A person pauses one roll or everything, and lets it go on."""
    box = rng.choice((world.offload, world.processing))
    rows = box.rows()
    name = rng.choice(rows).name if rows and rng.random() < 0.6 else None
    world.strike("paused and let go")
    order_by_hand(box, name, paused=True)
    await asyncio.sleep(rng.uniform(0.1, 10.0))
    order_by_hand(box, name, paused=False, go=rng.random() < 0.5)


async def rushed(world: World, rng: random.Random) -> None:
    """Have a person give a roll another rank."""
    rows = world.offload.rows()
    if rows:
        world.strike("rushed")
        order_by_hand(world.offload, rng.choice(rows).name, rank=rng.randrange(100))


STRIKES: dict[str, Strike] = {
    "crash-op": crash_at_operation,
    "crash-step": crash_at_step,
    "crash-journal": crash_at_transaction,
    "crash-start": crash_at_start,
    "storage-error": storage_error,
    "storage-full": storage_full,
    "storage-gone": storage_gone,
    "slow-disk": slow_disk,
    "rest-flip": flipped_at_rest,
    "journal-full": journal_full,
    "clock": clock_stepped,
    "sleep": laptop_sleep,
    "stop": stopped,
    "refused": notices_refused,
    "subscriber": notices_fail,
    "slow-notice": notices_slow,
    "pause": paused,
    "rush": rushed,
}
