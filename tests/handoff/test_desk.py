"""The desk: who may ask what of a storage, and what it says."""

import asyncio
from typing import Any

import pytest

from syncd.errors import PeerRefusedError
from syncd.journal import rolls
from syncd.roll.stages import HeldCode, Stage
from syncd.wire.messages import (
    FetchedReport,
    Hello,
    InventoryQuestion,
    Listing,
    OpenLane,
    Tidings,
    Withhold,
)
from tests.faults.scenes import clips, moves, order_by_hand, play, put_roll, reaches
from tests.faults.world import Box, World

HELLO = Hello(node="offload-1", roles=("offload",), version="1", utc_ms=1)
pytestmark = pytest.mark.usefixtures("small_parcels")


async def _ask(world: World, question: Any, *, asker: str = "offload-1", of: str = "") -> Any:
    return await world.net.ask(asker, of or "process-1", question)


def _row(box: Box, roll_id: str) -> rolls.RollRow:
    with box.journal.read() as db:
        row = rolls.get(db, roll_id)
    assert row is not None
    return row


def test_a_greeting_says_whether_rolls_can_be_taken() -> None:
    """An empty answer means yes; a box without storage says so."""
    world = World(1)

    async def scene() -> None:
        await asyncio.sleep(1)
        assert (await _ask(world, HELLO)).storage == ""
        answer = await _ask(world, HELLO, asker="process-1", of="offload-1")
        assert "no storage" in answer.storage

    play(world, scene)


def test_a_box_without_storage_gives_no_lane_and_takes_no_offer() -> None:
    """The refusal names what to change in the configuration."""
    world = World(2)

    async def scene() -> None:
        await asyncio.sleep(1)
        with pytest.raises(PeerRefusedError, match="processing"):
            await _ask(world, OpenLane(purpose="send"), asker="process-1", of="offload-1")

    play(world, scene)


def test_only_the_peer_that_a_roll_came_from_may_withhold_it() -> None:
    """And a roll that has landed is not withheld by anybody."""
    world = World(3)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=8))
        await moves(world, "A012")
        order_by_hand(world.offload, None, paused=True)
        roll_id = world.processing.rows()[0].roll_id
        withhold = Withhold(roll_id=roll_id, code=HeldCode.EVIDENCE_MISMATCH, message="wrong")
        await _ask(world, withhold, asker="offload-2")
        assert _row(world.processing, roll_id).held is None
        order_by_hand(world.offload, None, paused=False)
        await reaches(world, "A012")
        await _ask(world, withhold)
        assert _row(world.processing, roll_id).held is None
        unknown = Withhold(roll_id="ab" * 16, code=HeldCode.EVIDENCE_MISMATCH)
        await _ask(world, unknown)

    play(world, scene)


def test_tidings_go_to_the_peer_they_concern_alone() -> None:
    """Another peer learns nothing of a roll that is not its own."""
    world = World(4)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        own = await _ask(world, Tidings(after=0, wait_s=0.0))
        assert {"landed", "ready"} <= {tiding.kind for tiding in own.notices}
        assert [t.seq for t in own.notices] == sorted(t.seq for t in own.notices)
        others = await _ask(world, Tidings(after=0, wait_s=0.0), asker="offload-2")
        assert not others.notices

    play(world, scene)


def test_tidings_wait_until_there_is_one() -> None:
    """A long poll ends at the first notice, not at its time limit."""
    world = World(5)

    async def scene() -> None:
        await asyncio.sleep(1)
        loop = asyncio.get_running_loop()
        started_s = loop.time()
        asking = asyncio.create_task(_ask(world, Tidings(after=0, wait_s=15.0)))
        await asyncio.sleep(0.1)
        put_roll(world, "A012", clips(world))
        answer = await asking
        assert answer.notices
        assert loop.time() - started_s < 10
        last = answer.notices[-1].seq
        await reaches(world, "A012")
        started_s = loop.time()
        empty = await _ask(world, Tidings(after=last + 1000, wait_s=2.0))
        assert not empty.notices
        assert 1.9 < loop.time() - started_s < 3

    play(world, scene)


def test_only_ready_rolls_are_listed_and_given() -> None:
    """What is still moving cannot be fetched, even by its id."""
    world = World(6)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=8))
        await moves(world, "A012")
        order_by_hand(world.offload, None, paused=True)
        assert (await _ask(world, Listing(), asker="edit-1")).rolls == ()
        roll_id = world.processing.rows()[0].roll_id
        with pytest.raises(PeerRefusedError, match="only ready rolls"):
            await _ask(world, InventoryQuestion(roll_id=roll_id), asker="edit-1")
        order_by_hand(world.offload, None, paused=False)
        await reaches(world, "A012")
        assert [r.name for r in (await _ask(world, Listing(), asker="edit-1")).rolls] == ["A012"]
        answer = await _ask(world, InventoryQuestion(roll_id=roll_id), asker="edit-1")
        assert len(answer.files) == answer.head.file_count
        assert not answer.more
        question = InventoryQuestion(roll_id=roll_id, first=10_000)
        beyond = await _ask(world, question, asker="edit-1")
        assert (beyond.files, beyond.more) == ((), False)

    play(world, scene)


def test_a_report_of_a_fetch_counts_for_ready_rolls_only() -> None:
    """Nobody can make a roll fetched that has not been published."""
    world = World(7)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=8))
        await moves(world, "A012")
        order_by_hand(world.offload, None, paused=True)
        roll_id = world.processing.rows()[0].roll_id
        report = FetchedReport(roll_id=roll_id, digest_check="compared")
        await _ask(world, report, asker="edit-1")
        assert _row(world.processing, roll_id).stage is Stage.MOVING
        order_by_hand(world.offload, None, paused=False)
        await reaches(world, "A012")
        await _ask(world, report, asker="edit-1")
        assert _row(world.processing, roll_id).stage is Stage.FETCHED
        last = world.processing.history(roll_id)[-1].note
        assert "edit-1" in last
        await reaches(world, "A012", Stage.FETCHED)

    play(world, scene)
