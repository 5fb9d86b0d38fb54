"""A source of which something cannot be read: held once, told once, and goes on by itself."""

import asyncio
import errno

import pytest

from syncd.journal import notices
from syncd.roll.stages import HeldCode
from tests.faults.scenes import clips, is_held, moves, play, put_roll, reaches, row_of, stored
from tests.faults.world import Box, World

pytestmark = pytest.mark.usefixtures("small_parcels")
PATH = "Clips/C005.mov"


def deny(world: World, *, code: int = errno.EACCES, op: str = "open_read") -> None:
    """Let one file of the landing not be read."""

    def at_op(done: str, path: str) -> None:
        if done == op and path.endswith(PATH):
            raise OSError(code, "Permission denied" if code == errno.EACCES else "I/O error")

    world.offload.disk.at_op = at_op


def told(box: Box) -> list[str]:
    """Return how often it was told that a roll is held, and no longer."""
    with box.journal.read() as db:
        return [row.kind for row in notices.after(db, 0) if row.kind in {"held", "released"}]


def test_a_file_that_may_not_be_read_is_held_once_and_told_once_on_each_box() -> None:
    """With the file, the user, the right and the box; for a while, and until it may be read."""
    world = World(1)

    async def scene() -> None:
        deny(world)
        put_roll(world, "A012", clips(world, count=6))
        held = await is_held(world, "A012", HeldCode.SOURCE_UNREADABLE)
        assert held.path == PATH
        for part in (PATH, "syncd (uid 990)", "Permission denied", "read permission on files"):
            assert part in held.message, held.message
        await asyncio.sleep(1200)
        assert row_of(world.offload, "A012").held == held  # type: ignore[union-attr]
        there = row_of(world.processing, "A012")
        assert there is not None
        assert there.held is not None
        assert there.held.message == f"offload-1: {held.message}"
        assert told(world.offload) == ["held"]
        assert told(world.processing) == ["held"]
        world.offload.disk.at_op = lambda _op, _path: None
        await asyncio.sleep(90)
        await reaches(world, "A012")

    play(world, scene)
    assert stored(world, "A012").items() >= world.footage["A012"].items()
    assert told(world.offload) == told(world.processing) == ["held", "released"]


def test_a_file_that_fails_only_when_it_is_read_by_a_lane_is_no_flood() -> None:
    """Its beginning can be read, the rest of it not: told now and then, more and more seldom."""
    world = World(2)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=6))
        await moves(world, "A012")

        def at_op(op: str, path: str) -> None:
            if op == "file_stat" and path.endswith(PATH):
                raise OSError(errno.EIO, "I/O error")

        world.offload.disk.at_op = at_op
        await is_held(world, "A012", HeldCode.SOURCE_UNREADABLE)
        await asyncio.sleep(3000)

    play(world, scene)
    for box in (world.offload, world.processing):
        assert 2 <= told(box).count("held") < 20
