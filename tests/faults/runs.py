"""One seed, one run: what happens to both boxes, how long, and what must then be so.

Owns: the shooting day, the trouble, and their run by seed. Must not: know one fault from another's
making; the world and its parts do what they are told.
"""

import asyncio
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from tests.faults.scenes import SMALL
from tests.faults.truths import watch
from tests.faults.virtual_time import run_simulated
from tests.faults.world import STORAGE, World, run_world

SHOOTING_DAY: tuple[tuple[str, dict[str, int]], ...] = (
    ("A012", {"clips": 2, "clip_bytes": 60_000}),
    ("B007", {"clips": 0, "clip_bytes": 0, "stills": 40}),
    ("S003", {"clips": 3, "clip_bytes": 9_000, "stills": 2}),
    ("A013", {"clips": 1, "clip_bytes": 200_000, "stills": 3}),
)


def run_seed(seed: int) -> World:
    """Run one seed to its end. Raises AssertionError naming the seed and the broken promise."""
    world = World(seed)
    watch(world)
    main = run_world(world, _shoot, _trouble, faults_s=30.0, limit_s=300.0)
    with cut_finely():
        run_simulated(main, limit_s=1000.0)
    return world


@contextmanager
def cut_finely() -> Iterator[None]:
    """Cut small rolls into many parcels, in every module that took a limit by name."""
    changed = [
        (module, name, getattr(module, name), value)
        for module in [m for known, m in sys.modules.items() if known.startswith("syncd.")]
        for name, value in SMALL.items()
        if hasattr(module, name)
    ]
    for module, name, _, value in changed:
        setattr(module, name, value)
    try:
        yield
    finally:
        for module, name, before, _ in changed:
            setattr(module, name, before)


async def _shoot(world: World) -> None:
    """Let rolls arrive over the first part of the trouble."""
    for name, shape in SHOOTING_DAY:
        world.shoots(name, **shape)
        await asyncio.sleep(world.rng.uniform(0.0, 5.0))


async def _trouble(world: World) -> None:
    """Cut, crash, flip: one after the other, at random, for as long as it is let."""
    rng = world.rng
    while True:
        await asyncio.sleep(rng.uniform(0.02, 1.0))
        match rng.randrange(4):
            case 0:
                world.net.cut()
                await asyncio.sleep(rng.uniform(0.1, 4.0))
                world.net.join()
            case 1:
                victim = rng.choice((world.offload, world.processing))
                victim.disk.crash_at_op = victim.disk.ops + rng.randrange(1, 120)
            case 2:
                world.net.flips_left = rng.randrange(1, 3)
            case 3:
                _flip_at_rest(world)


def _flip_at_rest(world: World) -> None:
    """Turn one bit of what lies in incoming and was not read back yet; once per file.

    Twice would hold the roll for a person, and after its read-back nobody could notice.
    """
    below = f"{STORAGE}/.syncd/incoming"
    files = {
        path: data
        for path, data in world.processing.disk.files_below(below).items()
        if "/roll/" in path and "/ascmhl/" not in path and data
        if path not in world.flipped and path not in world.proved_paths()
    }
    if files:
        path = world.rng.choice(sorted(files))
        world.flipped.add(path)
        offset = world.rng.randrange(len(files[path]))
        world.processing.disk.flip(f"{below}/{path}", offset, world.rng.randrange(8))
