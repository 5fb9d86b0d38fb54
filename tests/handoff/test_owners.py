"""One offload box and another one's roll: nobody else fills it, moves it, holds it or ends it."""

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from typing import Any

import pytest

from syncd.errors import HeldError
from syncd.handoff.outgoing import offer_for
from syncd.journal import rolls
from syncd.journal.rolls import RollRow
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode
from syncd.storage.intake import PeerIntake
from syncd.wire.authority import NotAllowedError
from syncd.wire.messages import (
    InventoryPage,
    Offer,
    OfferAnswer,
    OfferKind,
    Tidings,
    Withhold,
)
from tests.faults.scenes import (
    clips,
    is_held,
    moves,
    order_by_hand,
    play,
    put_roll,
    reaches,
    row_of,
    stored,
)
from tests.faults.world import World, fingerprint_of

OTHER = "offload-2"
pytestmark = pytest.mark.usefixtures("small_parcels")


def _row(world: World) -> RollRow:
    row = row_of(world.processing, "A012")
    assert row is not None
    return row


def _offer(world: World, **changes: Any) -> Offer:
    """Return the offer of the roll that is under way, as another box that has its copy makes it."""
    with world.processing.journal.read() as db:
        row = rolls.get(db, _row(world).roll_id)
        inventory = rolls.load_inventory(db, _row(world).roll_id)
    return replace(offer_for(inventory.roll_id, inventory, ParcelPlan(inventory), row), **changes)


async def _ask(world: World, question: Any, asker: str = OTHER) -> Any:
    return await world.net.ask(asker, "process-1", question)


async def _begun(world: World) -> None:
    """Have a roll of offload-1 stand on the way, with some of it on the storage."""
    put_roll(world, "A012", clips(world, count=8))
    await moves(world, "A012", 100_000)
    order_by_hand(world.offload, None, paused=True)
    await asyncio.sleep(1)


async def _forget(world: World, name: str) -> None:
    peer = world.processing.book.trusted_by_name(name)
    assert peer is not None
    world.processing.book.forget(peer.fingerprint)
    assert world.processing.parts is not None
    world.processing.parts.let_go(peer)


def _scene(work: Callable[[World], Awaitable[None]], seed: int = 1) -> World:
    world = World(seed)
    play(world, lambda: work(world))
    return world


def test_an_offer_of_what_another_box_brings_waits_and_changes_nothing() -> None:
    """Neither order, nor owner, nor held: the first box goes on, and then both know it is there."""

    async def scene(world: World) -> None:
        await _begun(world)
        before = _row(world)
        for changes in ({"rank": -5}, {"released": True}, {"evidence": b"\x01" * 16}):
            answer: OfferAnswer = await _ask(world, _offer(world, **changes))
            assert answer.kind is OfferKind.WAIT
            assert "offload-1" in answer.message
        after = _row(world)
        assert (after.peer, after.rank, after.moved_bytes) == (
            "offload-1",
            before.rank,
            before.moved_bytes,
        )
        order_by_hand(world.offload, None, paused=False)
        await reaches(world, "A012")
        answer = await _ask(world, _offer(world))
        assert answer.kind is OfferKind.HAVE
        assert _row(world).peer == "offload-1"

    world = _scene(scene)
    assert stored(world, "A012").items() >= world.footage["A012"].items()


def test_another_box_hears_nothing_of_a_roll_and_withholds_none() -> None:
    """Its own tidings are empty, and its word about it is worth nothing."""

    async def scene(world: World) -> None:
        await _begun(world)
        await _ask(world, _offer(world))
        assert (await _ask(world, Tidings(after=0, wait_s=0.0))).notices == ()
        withhold = Withhold(roll_id=_row(world).roll_id, code=HeldCode.SOURCE_CHANGED)
        await _ask(world, withhold)
        assert _row(world).held is None

    _scene(scene)


def test_another_boxs_replaces_ends_no_roll_of_ours() -> None:
    """A roll is given up when its own box says that another one has replaced it, and else not."""

    async def scene(world: World) -> None:
        await _begun(world)
        ours = _offer(world)
        with world.processing.journal.read() as db:
            inventory = rolls.load_inventory(db, ours.roll_id)
        files = tuple(replace(f, size_bytes=f.size_bytes + 1) for f in inventory.files)
        theirs = replace(inventory, name="B007", files=files)
        head = offer_for(theirs.roll_id, theirs, ParcelPlan(theirs), None)
        head = replace(head, replaces=(ours.roll_id,))
        await _ask(world, head)
        await _ask(world, InventoryPage(roll_id=head.roll_id, first=0, files=theirs.files))
        assert (await _ask(world, head)).kind is OfferKind.TAKE
        assert _row(world).roll_id == ours.roll_id

    _scene(scene)


def test_a_roll_whose_box_is_silent_waits_for_a_person() -> None:
    """The other box is told why, and what to do; once the first one is forgotten, it takes over."""

    async def scene(world: World) -> None:
        await _begun(world)
        durable = _row(world).moved_bytes
        world.net.cut()
        await asyncio.sleep(30)
        world.net.join()
        world.net.hosts["offload-1"].answer = None
        head = _offer(world)
        assert world.processing.parts is not None
        world.processing.parts.callers.forget("offload-1")
        answer: OfferAnswer = await _ask(world, head)
        assert (answer.kind, answer.code) == (OfferKind.REFUSE, HeldCode.PEER_REFUSED)
        assert "syncd peers forget offload-1" in answer.message
        assert _row(world).peer == "offload-1"
        await _forget(world, "offload-1")
        answer = await _ask(world, head)
        assert answer.kind is OfferKind.TAKE
        assert (_row(world).peer, _row(world).moved_bytes) == (OTHER, durable)

    _scene(scene)


def test_a_roll_that_its_box_withholds_may_be_taken_over() -> None:
    """Its source is away: the card is offloaded elsewhere, and what came in before stays."""

    async def scene(world: World) -> None:
        await _begun(world)
        withhold = Withhold(roll_id=_row(world).roll_id, code=HeldCode.SOURCE_UNREADABLE)
        await _ask(world, withhold, "offload-1")
        await is_held(world, "A012", HeldCode.SOURCE_UNREADABLE, box=world.processing)
        assert (await _ask(world, _offer(world))).kind is OfferKind.TAKE
        assert _row(world).peer == OTHER
        # From now on the first box waits for the second one.
        assert (await _ask(world, _offer(world), "offload-1")).kind is OfferKind.WAIT

    _scene(scene)


def test_a_published_roll_is_let_go_on_by_its_own_box_alone() -> None:
    """Another box's word releases nothing that is held on the storage."""

    async def scene(world: World) -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        roll_id = _row(world).roll_id
        with world.processing.journal.write() as db:
            code = HeldCode.READ_BACK_MISMATCH
            rolls.hold(db, roll_id, code, "wrong", None, now_utc_ms=1)
        answer: OfferAnswer = await _ask(world, _offer(world, released=True))
        assert answer.kind is OfferKind.REFUSE
        assert _row(world).held is not None

    _scene(scene)


def test_parcels_of_another_boxs_roll_are_not_taken() -> None:
    """The lane is told so, once as an event; the owner's own parcels are."""

    async def scene(world: World) -> None:
        await _begun(world)
        parts, row = world.processing.parts, _row(world)
        assert parts is not None
        assert parts.keeper is not None
        told: list[NotAllowedError] = []
        receiving, journal = parts.keeper.receiving, world.processing.life
        theirs = PeerIntake(receiving, journal, OTHER, told.append)
        lacking = row.total_bytes // 4096 - 1
        with pytest.raises(HeldError, match="not its own"):
            theirs.begin(row.roll_id, lacking)
        assert len(told) == 1
        own = PeerIntake(receiving, journal, "offload-1", told.append)
        own.begin(row.roll_id, 30).abandon()
        assert len(told) == 1

    _scene(scene)


def test_a_roll_of_a_forgotten_box_bars_no_name() -> None:
    """Another box's roll of the same name, and other content, is not held for it."""

    async def scene(world: World) -> None:
        await _begun(world)
        row = _row(world)
        with world.processing.journal.read() as db:
            inventory = rolls.load_inventory(db, row.roll_id)
        files = tuple(replace(f, size_bytes=f.size_bytes + 1) for f in inventory.files)
        other = replace(inventory, files=files)
        head = offer_for(other.roll_id, other, ParcelPlan(other), None)
        page = InventoryPage(roll_id=head.roll_id, first=0, files=files)
        for question in (head, page):
            await _ask(world, question)
        assert (await _ask(world, head)).code == HeldCode.NAME_TAKEN
        await _forget(world, "offload-1")
        for question in (head, page):
            await _ask(world, question)
        assert (await _ask(world, head)).kind is OfferKind.TAKE

    _scene(scene)


def test_boxes_of_the_simulation_have_their_own_roles() -> None:
    """So every simulated day runs under the rules of authority."""
    world = World(1)
    book = world.processing.book
    roles = {peer.name: set(peer.roles) for peer in book.all_trusted()}
    assert roles == {
        "offload-1": {"offload"},
        "offload-2": {"offload"},
        "edit-1": {"editorial"},
    }
    assert book.trusted_by_fingerprint(fingerprint_of("offload-1")) is not None
