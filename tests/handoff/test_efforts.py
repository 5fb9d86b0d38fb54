"""A storage that asks for a roll again and again is sent it so often, and then a person is told."""

import asyncio
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import pytest

from syncd.errors import HeldError
from syncd.handoff import efforts
from syncd.handoff.efforts import CountedFeed, Efforts
from syncd.handoff.outgoing import Outgoing
from syncd.journal import notices, rolls
from syncd.limits import EFFORT_ITEM_BYTES, EFFORT_SLACK_BYTES, EFFORT_TIMES_MAX
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, Inventory, Trust, ordered
from syncd.roll.parcels import ParcelOrder, ParcelPlan, to_bitmap
from syncd.roll.stages import HeldCode
from syncd.schedule.feed import Feed
from syncd.schedule.order import Place
from syncd.storage.receiving import ReceivingRoll
from syncd.wire.messages import (
    Offer,
    OfferAnswer,
    OfferKind,
    PeerIdentity,
    Tiding,
    Tidings,
    TidingsAnswer,
)
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
def no_slack(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let small rolls be done with as soon as large ones."""
    cut_small(monkeypatch)
    monkeypatch.setattr(efforts, "EFFORT_SLACK_BYTES", 0)
    monkeypatch.setattr(efforts, "EFFORT_ITEM_BYTES", 1)


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


@pytest.mark.usefixtures("no_slack")
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


@pytest.mark.usefixtures("no_slack")
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


class Greedy:
    """What the storage's box says of one roll, once it is greedy for it."""

    def __init__(self, world: World, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
        parts = world.processing.parts
        assert parts is not None
        self._world, self._name = world, name
        self._own_tidings, self._own_answer = parts.desk._tidings, parts.desk._answer
        self.asked = 0
        self.path = ""
        monkeypatch.setattr(parts.desk, "_tidings", self._tidings)
        monkeypatch.setattr(parts.desk, "_answer", self._answer)

    def _roll_id(self) -> str:
        row = row_of(self._world.offload, self._name)
        return "" if row is None else row.roll_id

    async def _tidings(self, peer: PeerIdentity, question: Tidings) -> TidingsAnswer:
        """Say nothing of the roll but that it is to go on, and that a file is to come again."""
        answer = await self._own_tidings(peer, replace(question, wait_s=0.5))
        roll_id = self._roll_id()
        others = tuple(each for each in answer.notices if each.roll_id != roll_id)
        seq = answer.notices[-1].seq if answer.notices else question.after
        data = {"path": self.path or "Clips/C000.mov"}
        said = tuple(
            Tiding(
                seq=seq,
                notice_id="x",
                roll_id=roll_id,
                kind=kind,
                at_utc_ms=1,
                body={"note": "", "data": data},
            )
            for kind in ("released", "reading-back", "resend")
        )
        return replace(answer, notices=(*others, *said) if roll_id else others)

    async def _answer(self, peer: PeerIdentity, question: Any) -> Any:
        answer = await self._own_answer(peer, question)
        if isinstance(question, Offer) and question.roll_id == self._roll_id():
            self.asked += 1
            return self._greedy(question, answer)
        return answer

    def _greedy(self, head: Offer, answer: OfferAnswer) -> OfferAnswer:
        if answer.kind not in {OfferKind.TAKE, OfferKind.HAVE}:
            return answer
        lacking = to_bitmap(range(head.parcel_count), head.parcel_count)
        return OfferAnswer(kind=OfferKind.TAKE, lacking=lacking)


class Hashing(Greedy):
    """One that has a roll without evidence hashed for a comparison, again and again."""

    def _greedy(self, *_: object) -> OfferAnswer:
        return OfferAnswer(kind=OfferKind.DIGESTS)


@contextmanager
def _greedy(kind: type[Greedy], world: World, name: str) -> Iterator[Greedy]:
    with pytest.MonkeyPatch.context() as patch:
        yield kind(world, name, patch)


def _sent_bytes(world: World) -> int:
    assert world.offload.parts is not None
    assert world.offload.parts.handover is not None
    return world.offload.parts.handover.stats.payload_bytes


@pytest.mark.parametrize("turned_down", [False, True], ids=["confirmed", "turned down"])
@pytest.mark.usefixtures("no_slack")
def test_a_storage_that_never_has_enough_gets_a_roll_so_often(
    turned_down: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Then it is held with a remedy; other rolls go on, and only a person lets it go on."""
    world = World(11)

    async def scene() -> None:
        await until(lambda: world.processing.parts and world.offload.parts, "they are up")
        files = clips(world)
        size = sum(map(len, files.values()))
        with _greedy(Greedy, world, "A012") as greedy, monkeypatch.context() as patch:
            if turned_down:
                patch.setattr(ReceivingRoll, "_is_of_now", lambda *_: False)
            put_roll(world, "A012", files)
            held = await is_held(world, "A012", HeldCode.STORAGE_ERROR)
            assert "process-1 has asked for what it had already, again and again" in held.message
            assert "`syncd go` the roll" in held.message
            await asyncio.sleep(1)  # what is on a lane ends as it ends
            assert _sent_bytes(world) < (EFFORT_TIMES_MAX + 2) * size
            asked, sent_bytes = greedy.asked, _sent_bytes(world)
            await asyncio.sleep(120)
            assert (greedy.asked, _sent_bytes(world)) == (asked, sent_bytes)
            patch.undo()
            put_roll(world, "B007", clips(world))
            await reaches(world, "B007")
            sent_bytes = _sent_bytes(world)
            order_by_hand(world.offload, "A012", go=True)
            await is_held(world, "A012", HeldCode.STORAGE_ERROR)
            assert size < _sent_bytes(world) - sent_bytes < (EFFORT_TIMES_MAX + 2) * size
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


@pytest.mark.usefixtures("no_slack")
def test_a_storage_that_has_a_roll_hashed_again_and_again_has_it_read_so_often() -> None:
    """A comparison needs it once; what else is asked for is held, and told."""
    world = World(12, trust=Trust.SETTLED)

    async def scene() -> None:
        await until(lambda: world.processing.parts and world.offload.parts, "they are up")
        with _greedy(Hashing, world, "A012") as greedy:
            put_roll(world, "A012", clips(world), evidence={})
            await is_held(world, "A012", HeldCode.STORAGE_ERROR)
            assert greedy.asked <= 2 * (EFFORT_TIMES_MAX + 2)
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
        with _greedy(Greedy, world, "A012") as greedy:
            await asyncio.sleep(30)
            assert greedy.asked == 0
        assert world.offload.parts is not None
        assert world.offload.parts.handover is not None
        assert world.offload.parts.handover._doubts == {}

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
