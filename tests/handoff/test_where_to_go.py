"""On which box a person lets a held roll go on: what a message says must work there."""

import errno

import pytest

from syncd.roll.stages import HeldCode
from tests.faults.scenes import answers_of, clips, is_held, play, put_roll, reaches
from tests.faults.world import World

# A file system that a person mounted read-only says so when it is asked for its room.
ASKED = "free_bytes"
pytestmark = pytest.mark.usefixtures("small_parcels")


def test_a_storage_that_cannot_be_written_names_the_box_where_a_roll_is_let_go_on() -> None:
    """The storage's box has not taken the roll, and knows none of its name."""
    world = World(31)

    def at_op(op: str, _: str) -> None:
        if op == ASKED:
            raise OSError(errno.EROFS, "Read-only file system")

    async def scene() -> None:
        world.processing.disk.at_op = at_op
        put_roll(world, "A012", clips(world))
        held = await is_held(world, "A012", HeldCode.STORAGE_ERROR)
        assert "`syncd go` the roll on offload-1" in held.message, held.message
        world.processing.disk.at_op = None
        await answers_of(world.offload).go("A012")
        await reaches(world, "A012")

    play(world, scene)
