"""The inner parts of a node, put together: none of them may be missing without a word."""

import asyncio
import logging

import pytest

from tests.faults.scenes import play
from tests.faults.world import World


def test_a_part_that_ends_by_itself_begins_anew_and_says_so(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A cancellation gone astray once ended the hand-over for good, with nothing in the log."""
    world = World(1)

    async def scene() -> None:
        while not (work := [t for t in asyncio.all_tasks() if t.get_name() == "Handover-work"]):  # noqa: ASYNC110
            await asyncio.sleep(0.01)
        work[0].cancel()
        world.shoots("A012", clips=1, clip_bytes=20_000)
        while not world.all_ready():  # noqa: ASYNC110 - simulated time
            await asyncio.sleep(0.1)

    with caplog.at_level(logging.ERROR):
        play(world, scene)
    assert "Handover ended by itself; it is begun anew." in caplog.text
