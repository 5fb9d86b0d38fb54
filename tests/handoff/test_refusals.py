"""What is refused to a paired peer is told once an hour, and fills neither journal nor log."""

import asyncio
import logging
from typing import Any

import pytest

from syncd.errors import PeerRefusedError
from syncd.handoff.refusals import KIND
from syncd.journal import notices
from syncd.journal.notices import NoticeRow
from syncd.wire.messages import QUESTIONS, Listing, Offer, OpenLane, Tidings
from tests.faults.scenes import play
from tests.faults.world import World

OFFER = Offer(
    roll_id="ab" * 16,
    day="2026-03-14_D12",
    name="A012",
    trust="evidence",  # type: ignore[arg-type]
    file_count=1,
    total_bytes=1,
    parcel_count=1,
)


def _told(world: World) -> list[NoticeRow]:
    with world.processing.journal.read() as db:
        return notices.after(db, 0, kinds=[KIND])


async def _refused(world: World, asker: str, question: Any) -> PeerRefusedError:
    with pytest.raises(PeerRefusedError) as refused:
        await world.net.ask(asker, "process-1", question)
    return refused.value


def test_the_wrong_role_is_refused_and_written_down_once() -> None:
    """A thousand tries are one event, which names peer, question and remedy."""
    world = World(1)

    async def scene() -> None:
        await asyncio.sleep(1)
        for _ in range(1000):
            error = await _refused(world, "edit-1", OFFER)
        assert "edit-1 may not offer rolls" in error.problem
        assert error.remedy
        (told,) = _told(world)
        assert told.body["data"]["peer"] == "edit-1"
        assert told.body["data"]["asked"] == "offer"
        assert "may not offer rolls" in told.body["note"]
        assert world.processing.parts is not None
        assert "1000 times" in world.processing.parts.desk.refusals.told()
        assert not world.processing.rows()

    play(world, scene)


def test_it_is_told_again_after_an_hour_and_forgotten_meanwhile() -> None:
    """So `syncd check` speaks of today, and the journal of every hour at most."""
    world = World(2)

    async def scene() -> None:
        await asyncio.sleep(1)
        await _refused(world, "edit-1", OFFER)
        await asyncio.sleep(3601)
        assert world.processing.parts is not None
        assert world.processing.parts.desk.refusals.told() == ""
        await _refused(world, "edit-1", OFFER)
        assert len(_told(world)) == 2

    play(world, scene)


def test_what_a_peer_tries_makes_a_bounded_number_of_events(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Whatever it asks, however often: fewer an hour than there are questions."""
    world = World(3)

    async def scene() -> None:
        await asyncio.sleep(1)
        for _ in range(20):
            for question in (OFFER, Tidings(after=0, wait_s=0.0), OpenLane(purpose="send")):
                await _refused(world, "edit-1", question)
            for other in (Listing(), OpenLane(purpose="fetch")):
                await _refused(world, "offload-1", other)

    with caplog.at_level(logging.WARNING, logger="syncd.handoff.refusals"):
        play(world, scene)
    assert len(_told(world)) == 5 <= len(QUESTIONS)
    assert len([each for each in caplog.records if "refusals" in each.name]) == 5


def test_a_ticket_is_issued_for_what_the_role_is_for_alone() -> None:
    """The purpose decides: an offload box fetches nothing, an editorial box sends nothing."""
    world = World(4)

    async def scene() -> None:
        await asyncio.sleep(1)
        await _refused(world, "offload-1", OpenLane(purpose="fetch"))
        await _refused(world, "edit-1", OpenLane(purpose="send"))
        assert await world.net.ask("edit-1", "process-1", OpenLane(purpose="fetch"))

    play(world, scene)
