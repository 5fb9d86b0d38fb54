"""A storage that asks for a roll again and again is sent it so often, and then a person is told."""

import asyncio
from collections.abc import Iterator
from typing import Any

import pytest

from syncd.errors import HeldError
from syncd.handoff.efforts import CountedFeed, Efforts
from syncd.handoff.outgoing import Outgoing
from syncd.journal import notices, rolls
from syncd.limits import EFFORT_ITEM_BYTES, EFFORT_SLACK_BYTES, EFFORT_TIMES_MAX
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, Inventory, Trust, ordered
from syncd.roll.parcels import ParcelOrder, ParcelPlan
from syncd.roll.stages import HeldCode
from syncd.schedule.feed import Feed
from syncd.schedule.order import Place
from syncd.storage.receiving import ReceivingRoll
from tests.faults.greedy import Hashing, greedy, no_slack, sent_bytes
from tests.faults.scenes import (
    clips,
    cut_small,
    is_held,
    order_by_hand,
    play,
    put_roll,
    reaches,
    row_of,
    until,
)
from tests.faults.world import DAY, World


@pytest.fixture
def without_slack(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Let small rolls be done with as soon as large ones."""
    cut_small(monkeypatch)
    with no_slack():
        yield


def _outgoing(files: int = 3, size: int = 100, evidence: bytes = b"") -> Outgoing:
    digest = Digest(Algorithm.XXH64, bytes(8))
    entries = ordered(FileEntry(f"C{n:03}.mov", size, 1, (digest,)) for n in range(files))
    inventory = Inventory(DAY, "A012", entries)
    return Outgoing("a" * 32, inventory, ParcelPlan(inventory), "/", evidence=evidence)


# Counting


@pytest.mark.parametrize("outgoing", [_outgoing(), _outgoing(files=0), _outgoing(5000, 0)])
def test_a_roll_may_be_sent_and_read_so_often(outgoing: Outgoing) -> None:
    """Each file and each parcel so many times, whatever the roll is made of; then no more."""
    sums = Efforts("process-1")
    sums.begin(outgoing)
    sizes = [entry.size_bytes for entry in outgoing.inventory.files]
    for _ in range(EFFORT_TIMES_MAX):
        for number in range(outgoing.plan.count):
            sums.answered(ParcelOrder(outgoing.roll_id, number))
        assert not sums.is_spent(outgoing.roll_id)
    for _ in range(EFFORT_SLACK_BYTES // (sum(sizes) + EFFORT_ITEM_BYTES) + EFFORT_TIMES_MAX + 1):
        sums.read(outgoing.roll_id, sizes or [0])
    assert sums.is_spent(outgoing.roll_id)
    assert sums.newly_spent() == [outgoing.roll_id]
    assert sums.newly_spent() == []
    sums.begin(outgoing)
    assert sums.is_spent(outgoing.roll_id)
    sums.begin_anew(outgoing.roll_id)
    assert not sums.is_spent(outgoing.roll_id)


@pytest.mark.usefixtures("without_slack")
def test_other_evidence_is_another_hand_off() -> None:
    """A list that is written again at the source has parcels cut anew: that is no fault there."""
    sums = Efforts("process-1")
    sums.begin(_outgoing(evidence=b"one"))
    sums.read("a" * 32, [10_000])
    assert sums.is_spent("a" * 32)
    sums.begin(_outgoing(evidence=b"two"))
    assert not sums.is_spent("a" * 32)
    sums.keep(())
    sums.read("a" * 32, [10_000])
    assert not sums.is_spent("a" * 32)
    assert sums._by_roll == {}


@pytest.mark.usefixtures("without_slack")
def test_a_cable_that_breaks_without_end_costs_nothing() -> None:
    """What was sent and never answered is not asked for again by anybody: the cable lost it."""
    outgoing = _outgoing()
    sums = Efforts("process-1")
    sums.begin(outgoing)
    feed = Feed(lambda: None)
    counted = CountedFeed(feed, sums)
    feed.offer(outgoing.roll_id, Place(0, None, 0), range(outgoing.plan.count), outgoing.plan)
    for _ in range(1000):
        assert counted.next(0) is not None
        feed.lane_lost(0)
    order = counted.next(0)
    assert order is not None
    counted.declined(0, order, HeldCode.STORAGE_FULL, "full", None)  # told, and held for
    assert not sums.is_spent(outgoing.roll_id)


# A storage that has never enough


@pytest.mark.parametrize("turned_down", [False, True], ids=["confirmed", "turned down"])
@pytest.mark.usefixtures("without_slack")
def test_a_storage_that_never_has_enough_gets_a_roll_so_often(
    turned_down: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Then it is held with a remedy; other rolls go on, and only a person lets it go on."""
    world = World(11)

    async def scene() -> None:
        await until(lambda: world.processing.parts and world.offload.parts, "they are up")
        files = clips(world)
        size = sum(map(len, files.values()))
        with greedy(world, "A012") as storage, monkeypatch.context() as patch:
            if turned_down:
                patch.setattr(ReceivingRoll, "_is_of_now", lambda *_: False)
            put_roll(world, "A012", files)
            held = await is_held(world, "A012", HeldCode.STORAGE_ERROR)
            assert "process-1 has asked for what it had already, again and again" in held.message
            assert "`syncd go` the roll" in held.message
            await asyncio.sleep(1)  # what is on a lane ends as it ends
            assert sent_bytes(world) < (EFFORT_TIMES_MAX + 2) * size
            asked, before = storage.asked, sent_bytes(world)
            await asyncio.sleep(120)
            assert (storage.asked, sent_bytes(world)) == (asked, before)
            patch.undo()
            put_roll(world, "B007", clips(world))
            await reaches(world, "B007")
            before = sent_bytes(world)
            order_by_hand(world.offload, "A012", go=True)
            await is_held(world, "A012", HeldCode.STORAGE_ERROR)
            assert size < sent_bytes(world) - before < (EFFORT_TIMES_MAX + 2) * size
            _is_told_twice(world)
        order_by_hand(world.offload, "A012", go=True)
        await reaches(world, "A012")

    play(world, scene)


def _is_told_twice(world: World) -> None:
    """Once for each time; no word of the storage let it go on."""
    row = row_of(world.offload, "A012")
    assert row is not None
    with world.offload.journal.read() as db:
        told = notices.after(db, 0, limit=1000, roll_ids=[row.roll_id], kinds={"held", "released"})
    assert [each.kind for each in told] == ["held", "released", "held"]


@pytest.mark.usefixtures("without_slack")
def test_a_storage_that_has_a_roll_hashed_again_and_again_has_it_read_so_often() -> None:
    """A comparison needs it once; what else is asked for is held, and told."""
    world = World(12, trust=Trust.SETTLED)

    async def scene() -> None:
        await until(lambda: world.processing.parts and world.offload.parts, "they are up")
        with greedy(world, "A012", Hashing) as storage:
            put_roll(world, "A012", clips(world), evidence={})
            await is_held(world, "A012", HeldCode.STORAGE_ERROR)
            assert storage.asked <= 2 * (EFFORT_TIMES_MAX + 2)
        order_by_hand(world.offload, "A012", go=True)
        await reaches(world, "A012")

    play(world, scene)


@pytest.mark.usefixtures("small_parcels")
def test_doubts_of_rolls_that_have_landed_are_not_kept() -> None:
    """A storage may speak of every file that was ever handed over: it is no question any more."""
    world = World(13)

    async def scene() -> None:
        await until(lambda: world.processing.parts and world.offload.parts, "they are up")
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        with greedy(world, "A012") as storage:
            await asyncio.sleep(30)
            assert storage.asked == 0
        assert world.offload.parts is not None
        assert world.offload.parts.handover is not None
        assert world.offload.parts.handover._resends._paths == {}

    play(world, scene)


@pytest.mark.usefixtures("small_parcels")
def test_what_holds_a_roll_while_it_is_asked_about_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    """An answer lets go on what it was asked about, and no roll that a person is to look at."""
    world = World(14)

    async def scene() -> None:
        await until(lambda: world.processing.parts and world.offload.parts, "they are up")
        assert world.offload.parts is not None
        handover = world.offload.parts.handover
        assert handover is not None
        taken = handover._book.note_taken

        def note_taken(row: rolls.RollRow, *others: Any) -> None:
            error = HeldError(HeldCode.STORAGE_ERROR, "It is wrong.", remedy="See to it.")
            handover._book.hold(row.roll_id, error)
            taken(row, *others)

        with monkeypatch.context() as patch:
            patch.setattr(handover._book, "note_taken", note_taken)
            put_roll(world, "A012", clips(world))
            await is_held(world, "A012", HeldCode.STORAGE_ERROR)
            await asyncio.sleep(10)
            await is_held(world, "A012", HeldCode.STORAGE_ERROR)
        order_by_hand(world.offload, "A012", go=True)
        await reaches(world, "A012")

    play(world, scene)
