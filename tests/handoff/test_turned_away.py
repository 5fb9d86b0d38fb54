"""A roll whose name is taken on the storage: the box that has the storage tells of it, too."""

import asyncio
import logging
from typing import Any

import pytest

from syncd.journal import notices
from syncd.node_answers import NodeAnswers
from syncd.roll.stages import HeldCode
from tests.faults.scenes import (
    clips,
    is_held,
    order_by_hand,
    play,
    put_roll,
    reaches,
    stored,
)
from tests.faults.world import DAY, World

SECOND = "/media/second"
pytestmark = pytest.mark.usefixtures("small_parcels")


async def _told(world: World) -> str:
    """Return what `syncd check` on the processing box says of offers."""
    parts: Any = world.processing.parts
    nobody: Any = None  # neither keys nor pairing are asked for here
    answers = NodeAnswers(parts, world.processing.book, nobody, 0, trusting=nobody, pairing=nobody)
    checks = await answers._checks()
    return " ".join(each["message"] for each in checks if each["name"] == "offers" and each["ok"])


def test_a_taken_name_is_told_where_the_storage_is_and_the_published_roll_is_left_alone(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Once: who offers it, which name, what to do; the roll of that name here is still ready."""
    world = World(1, landings=("/media/landing", SECOND))

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        assert await _told(world) == ""
        before = stored(world, "A012")
        put_roll(world, "A012", clips(world), landing=SECOND)
        await is_held(world, "A012", HeldCode.NAME_TAKEN)
        for _ in range(2):
            told = await _told(world)
            line, remedy = told.splitlines()
            assert f"offload-1 offers another roll as {DAY}/A012" in line
            assert "held on offload-1" in remedy
            order_by_hand(world.offload, "A012", go=True)
            await asyncio.sleep(10)
        assert [(row.name, row.held) for row in world.processing.rows()] == [("A012", None)]
        assert stored(world, "A012") == before

    with caplog.at_level(logging.WARNING, "syncd.handoff.turned_away"):
        play(world, scene)
    assert len([each for each in caplog.records if each.name == "syncd.handoff.turned_away"]) == 1
    with world.processing.journal.read() as db:
        events = [row for row in notices.after(db, 0) if row.kind == HeldCode.NAME_TAKEN]
    assert [(row.roll_id, row.body["data"]["peer"]) for row in events] == [(None, "offload-1")]
