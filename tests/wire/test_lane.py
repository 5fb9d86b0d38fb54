"""Lanes on simulated time: the four functions against each other, trouble at every place."""

import asyncio
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any

import pytest

from syncd.errors import LinkLostError
from syncd.limits import (
    DEAD_AFTER_S,
    HEARTBEAT_S,
    MIB,
    SEND_BYTES,
    STALLED_AFTER_S,
    UNCONFIRMED_PARCELS_MAX,
)
from syncd.roll.stages import HeldCode
from syncd.wire.frames import Conversation, PeerProtocolError, Role
from syncd.wire.lane import LaneKeys, LaneStats, fetch_lane, send_lane, serve_lane, take_lane
from syncd.wire.lane_events import LaneWelcome, ParcelHead, Want
from syncd.wire.lane_talk import Talk
from tests.faults.virtual_time import run_simulated
from tests.wire.greeted import NONCE, greeted
from tests.wire.memory_link import LoopClock, MemoryLink, link_pair
from tests.wire.parcels import ROLL, Orders, Shelf, Store, ends_lost

KEYS = LaneKeys(b"k" * 16)
TICKET = b"t" * 16
LANE = 3
# Nothing, less than a record, exactly one with and without its digests, several, a whole parcel.
SIZES = [0, 1, 1000, MIB - 16, MIB, MIB + 1, 3 * MIB + 5, 16 * MIB]


@dataclass
class Lane:
    """A dialled and an accepted end; pushes: the dialler gives, else it fetches."""

    sizes: list[int]
    pushes: bool
    orders: Orders = field(init=False)

    def __post_init__(self) -> None:
        self.shelf, self.store = Shelf(self.sizes), Store(self.sizes)
        self.orders = Orders(len(self.sizes), is_good=lambda number: number in self.store.stored)
        self.near, self.far = link_pair()
        self.clock = LoopClock()
        self.sent = LaneStats()

    def start(self) -> None:
        """Start both ends."""
        self.dialler = asyncio.create_task(self._dial())
        self.listener = asyncio.create_task(self._listen())

    async def _dial(self) -> None:
        if self.pushes:
            await send_lane(
                self.near, self.clock, self.orders, self.shelf, KEYS, LANE,
                ticket=TICKET, stats=self.sent,
            )  # fmt: skip
        await fetch_lane(self.near, self.clock, self.store, self.orders, KEYS, LANE, ticket=TICKET)

    async def _listen(self) -> None:
        keys = await greeted(self.far, self.clock, KEYS, TICKET)
        if self.pushes:
            await take_lane(self.far, self.clock, self.store, keys)
        await serve_lane(self.far, self.clock, self.shelf, keys, stats=self.sent)

    async def finish(self) -> None:
        """Wait until every order has an outcome, then close the link."""
        watching = asyncio.create_task(self.orders.ended.wait())
        both = {self.dialler, self.listener}
        await asyncio.wait({watching, *both}, return_when=asyncio.FIRST_COMPLETED)
        assert watching.done(), f"a lane ended early: {[t for t in both if t.done()]}"
        await self.cut()

    async def cut(self) -> tuple[LinkLostError, LinkLostError]:
        """Close the link and return how both ends noticed; nothing is left open."""
        self.near.close()
        return await self.ends()

    async def ends(self) -> tuple[LinkLostError, LinkLostError]:
        """Wait for both ends, of which the first closes the link as its owner would."""
        await asyncio.wait({self.dialler, self.listener}, return_when=asyncio.FIRST_COMPLETED)
        self.near.close()
        how = await ends_lost(self.dialler), await ends_lost(self.listener)
        assert self.shelf.open_readers == 0
        assert self.store.nothing_open()
        return how


def run(
    sizes: list[int], pushes: bool, story: Callable[[Lane], Awaitable[None]], limit_s: float = 300
) -> Lane:
    """Run a story over a lane on simulated time, and return the lane."""

    async def tell() -> Lane:
        lane = Lane(sizes, pushes)
        await story(lane)
        return lane

    return run_simulated(tell(), limit_s=limit_s)


async def moves_all(lane: Lane) -> None:
    """Start, and go on until every order has an outcome."""
    lane.start()
    await lane.finish()


both_ways = pytest.mark.parametrize("pushes", [True, False], ids=["push", "fetch"])


@both_ways
def test_parcels_of_every_size_arrive_and_are_confirmed_once_durable(pushes: bool) -> None:
    """Records that are full, short, or shared by data and digests; the feed checks durability."""
    lane = run(SIZES, pushes, moves_all)
    assert lane.store.has_all()
    assert sorted(lane.orders.done) == list(range(len(SIZES)))
    assert lane.store.evidence == {lane.shelf.evidence}
    assert lane.sent.payload_bytes == sum(SIZES)
    assert lane.sent.parcels == len(SIZES)
    giver = lane.near if pushes else lane.far
    other_bytes = 120  # greetings
    assert abs(lane.sent.sent_bytes - len(giver.sent)) <= other_bytes


@both_ways
def test_parcels_become_durable_in_groups(pushes: bool) -> None:
    """Two at a time, or fewer when nothing more waits; and never too many on their way."""

    async def story(lane: Lane) -> None:
        taker = lane.far if pushes else lane.near
        taker.delay_s = 0.1  # as a disk would: meanwhile the next parcels come in
        await moves_all(lane)

    lane = run([1000] * 9, pushes, story)
    assert lane.store.has_all()
    assert max(lane.store.groups) == 2
    assert lane.orders.open_max <= UNCONFIRMED_PARCELS_MAX


@both_ways
def test_a_parcel_that_cannot_be_opened_holds_nothing_up(pushes: bool) -> None:
    """The source's reason reaches the feed, the other parcels their end."""

    async def story(lane: Lane) -> None:
        lane.shelf.fails_at[1] = -1
        await moves_all(lane)

    lane = run([1000] * 3, pushes, story)
    assert sorted(lane.orders.done) == [0, 2]
    refused = lane.orders.unread if pushes else lane.orders.refused
    assert list(refused) == [1]


@both_ways
@pytest.mark.parametrize("fails_at", [0, 300_000, 2 * MIB, 3 * MIB])
def test_a_parcel_that_fails_in_the_middle_counts_for_nothing(pushes: bool, fails_at: int) -> None:
    """A card that fails in mid-parcel costs that parcel, not the lane."""

    async def story(lane: Lane) -> None:
        lane.shelf.fails_at[1] = fails_at
        await moves_all(lane)

    lane = run([1000, 3 * MIB, 1000], pushes, story)
    assert sorted(lane.orders.done) == [0, 2]
    assert sorted(lane.store.stored) == [0, 2]
    if pushes:
        assert lane.orders.unread[1].code is HeldCode.SOURCE_UNREADABLE
    else:
        assert lane.orders.refused[1] == (HeldCode.SOURCE_UNREADABLE, "A012C001.mov")


@both_ways
@pytest.mark.parametrize("lie", [999, 1001])
def test_a_source_of_another_length_is_noticed(pushes: bool, lie: int) -> None:
    """Shorter or longer than was announced: the parcel counts for nothing."""

    async def story(lane: Lane) -> None:
        lane.shelf.lies[0] = lie
        lane.store.sizes = [lie, 1000]
        await moves_all(lane)

    lane = run([1000, 1000], pushes, story)
    code = lane.orders.unread[0].code if pushes else lane.orders.refused[0][0]
    assert code is HeldCode.SOURCE_CHANGED
    assert lane.orders.done == [1]


@both_ways
def test_a_parcel_of_another_shape_than_the_inventory_says_is_declined(pushes: bool) -> None:
    """Both ends compute the same cut; if they do not, a person has to know."""

    async def story(lane: Lane) -> None:
        lane.store.sizes = [1000, 77]
        await moves_all(lane)

    lane = run([1000, 1000], pushes, story)
    assert lane.orders.refused[1][0] is HeldCode.PEER_REFUSED
    assert lane.orders.done == [0]


@both_ways
def test_a_parcel_that_the_storage_does_not_want_passes_by(pushes: bool) -> None:
    """Its bytes are let through, and the next parcel is taken."""

    async def story(lane: Lane) -> None:
        lane.store.refuses = {0}
        await moves_all(lane)

    lane = run([3 * MIB, 1000], pushes, story)
    assert lane.orders.refused == {0: (HeldCode.STORAGE_FULL, "A012C001.mov")}
    assert list(lane.store.stored) == [1]


@both_ways
def test_a_storage_that_fills_up_in_mid_parcel_declines_it(pushes: bool) -> None:
    """What was written of it is given up."""

    async def story(lane: Lane) -> None:
        lane.store.full_at[1] = MIB
        await moves_all(lane)

    lane = run([1000, 3 * MIB, 1000], pushes, story)
    assert lane.orders.refused == {1: (HeldCode.STORAGE_FULL, "A012C001.mov")}
    assert sorted(lane.store.stored) == [0, 2]


@both_ways
def test_a_failed_commit_declines_its_whole_group(pushes: bool) -> None:
    """Nothing of it is confirmed, and every sink is given up."""

    async def story(lane: Lane) -> None:
        lane.store.commit_fails = True
        await moves_all(lane)

    lane = run([1000] * 4, pushes, story)
    assert lane.orders.done == []
    assert {code for code, _ in lane.orders.refused.values()} == {HeldCode.STORAGE_ERROR}
    assert len(lane.orders.refused) == 4


@both_ways
def test_an_unforeseen_error_of_the_storage_ends_the_lane_and_gives_all_up(pushes: bool) -> None:
    """It is raised to whoever runs the lane, never swallowed."""

    async def story(lane: Lane) -> None:
        def fail(_: Any) -> None:
            raise ZeroDivisionError

        lane.store.commit = fail  # type: ignore[assignment,method-assign]
        lane.start()
        taker = lane.listener if pushes else lane.dialler
        with pytest.raises(ZeroDivisionError):
            await taker
        lane.near.close()
        await asyncio.wait({lane.dialler, lane.listener})
        lane.dialler.exception(), lane.listener.exception()
        assert lane.store.nothing_open()

    assert run([1000] * 3, pushes, story).orders.done == []


# Damage


def flip_once(at_byte: int) -> Callable[[bytes], bytes]:
    """Flip a bit of the byte that is number at_byte of all that is sent."""
    seen = 0

    def meddle(data: bytes) -> bytes:
        nonlocal seen
        place, seen = at_byte - seen, seen + len(data)
        if not 0 <= place < len(data):
            return data
        return data[:place] + bytes([data[place] ^ 4]) + data[place + 1 :]

    return meddle


@both_ways
@pytest.mark.parametrize("at_byte", [250, 5000, MIB + 300, MIB + 5000])
def test_a_flipped_bit_of_a_parcel_is_never_confirmed(pushes: bool, at_byte: int) -> None:
    """Seal or head, first record or later: the lane ends, and the parcel travels again."""

    async def story(lane: Lane) -> None:
        giver = lane.near if pushes else lane.far
        giver.meddle = flip_once(at_byte)
        lane.start()
        await lane.ends()

    lane = run([2 * MIB, 1000], pushes, story)
    assert lane.orders.done == []
    assert lane.store.stored == {}


def test_a_flipped_bit_of_a_confirmation_confirms_nothing_else() -> None:
    """The sender ends the lane; what is durable is said again with the next offer."""

    async def story(lane: Lane) -> None:
        lane.start()
        await asyncio.sleep(0.02)  # the welcome is through
        lane.far.meddle = flip_once(30)
        lane.orders.waiting = [5]
        lane.near.wake()
        how, _ = await lane.ends()
        assert isinstance(how, PeerProtocolError)

    async def empty_first(lane: Lane) -> None:
        lane.orders.waiting = []
        await story(lane)

    assert run([1000] * 6, True, empty_first).orders.done == []


@both_ways
def test_a_parcel_that_differs_from_its_digests_ends_the_lane(pushes: bool) -> None:
    """Sealed as it was, and still not what was read: memory went wrong at one end."""

    async def story(lane: Lane) -> None:
        lane.start()
        begin = lane.store.begin

        def begin_wrong(roll_id: str, number: int, evidence: bytes) -> Any:
            sink = begin(roll_id, number, evidence)
            sink.data += b"?"
            return sink

        lane.store.begin = begin_wrong  # type: ignore[method-assign,assignment]
        await lane.ends()

    lane = run([1000], pushes, story)
    assert lane.orders.done == []
    assert lane.store.stored == {}


# Silence


@both_ways
def test_an_idle_lane_stays_open_and_beats(pushes: bool) -> None:
    """Ten minutes without work are no reason to part."""

    async def story(lane: Lane) -> None:
        lane.start()
        await asyncio.sleep(600)
        assert not lane.dialler.done()
        assert not lane.listener.done()
        for link in (lane.near, lane.far):
            assert len(link.sent) < 100 + 45 * 600 / HEARTBEAT_S
        await lane.cut()

    run([], pushes, story, limit_s=700)


@both_ways
def test_an_order_that_comes_while_the_lane_is_idle_goes_at_once(pushes: bool) -> None:
    """wake() makes the lane look; it does not wait for the next beat."""

    async def story(lane: Lane) -> None:
        lane.orders.waiting = []
        lane.start()
        await asyncio.sleep(60.5)
        began_s = lane.clock.monotonic_s()
        lane.orders.waiting = [0]
        lane.near.wake()
        await lane.finish()
        assert lane.clock.monotonic_s() - began_s < 0.1

    assert run([1000], pushes, story).orders.done == [0]


@both_ways
def test_a_peer_that_hangs_is_noticed_by_both_ends(pushes: bool) -> None:
    """The link stands, and nothing comes: after a while it counts as lost."""

    async def story(lane: Lane) -> None:
        lane.start()
        await asyncio.sleep(30)
        began_s = lane.clock.monotonic_s()
        lane.near.meddle = lane.far.meddle = lambda _: b""
        how = await ends_lost(lane.dialler), await ends_lost(lane.listener)
        assert lane.clock.monotonic_s() - began_s <= DEAD_AFTER_S + HEARTBEAT_S + 1
        assert all("nothing was heard" in str(error) for error in how)

    run([], pushes, story)


def test_a_peer_that_hangs_with_a_parcel_unconfirmed_is_noticed() -> None:
    """Progress is what the peer confirms, not what the link took."""

    async def story(lane: Lane) -> None:
        def swallow(_: Any) -> None:
            lane.far.meddle = lambda _: b""

        lane.store.commit = swallow  # type: ignore[assignment,method-assign]
        lane.start()
        assert "nothing was heard" in str(await ends_lost(lane.dialler))
        lane.near.close()
        await ends_lost(lane.listener)

    assert run([1000], True, story).orders.done == []


def test_a_giver_may_stall_in_mid_parcel_for_longer() -> None:
    """A card retries a bad block for half a minute; that is no reason to start over."""

    async def story(lane: Lane) -> None:
        a_record = [0.0] * (MIB // SEND_BYTES)
        slow_by_s = [30.0, *a_record, STALLED_AFTER_S + HEARTBEAT_S + 5]
        send = lane.near.send

        async def slow(*parts: Any) -> None:
            if sum(map(len, parts)) == SEND_BYTES and slow_by_s:
                await asyncio.sleep(slow_by_s.pop(0))
            await send(*parts)

        lane.near.send = slow  # type: ignore[method-assign]
        lane.start()
        how = await ends_lost(lane.listener)
        assert f"for {STALLED_AFTER_S:.0f} s" in str(how)
        lane.near.close()
        await ends_lost(lane.dialler)
        assert len(lane.store.sinks[0].data) >= MIB, "the first stall was forgiven"

    run([3 * MIB], True, story)


@both_ways
def test_a_dialler_that_is_not_welcomed_gives_up(pushes: bool) -> None:
    """Whoever listens there does not speak with us."""

    async def story(lane: Lane) -> None:
        lane.start()
        lane.listener.cancel()
        assert "welcome" in str(await ends_lost(lane.dialler))

    run([1000], pushes, story)


# Peers that do not keep to it


def with_peer(
    role: Role,
    mine: Callable[[MemoryLink], Coroutine[Any, Any, Any]],
    theirs: Callable[[Talk], Awaitable[None]],
) -> None:
    """Run one of our ends against a peer that dials, greets, and then does as it likes."""

    async def both() -> None:
        near, far = link_pair()
        lane = asyncio.ensure_future(mine(far))
        talk = Talk(near, LoopClock(), Conversation(role, KEYS, dialled=True), None)
        dialling = asyncio.create_task(talk.dial(TICKET))
        await dialling
        await theirs(talk)
        assert isinstance(await ends_lost(lane), PeerProtocolError)

    run_simulated(both(), limit_s=100)


def test_a_peer_that_wants_too_much_at_once_has_failed() -> None:
    """A queue that a stranger fills has an end."""

    async def serve(link: MemoryLink) -> None:
        keys = await greeted(link, LoopClock(), KEYS, TICKET)
        await serve_lane(link, LoopClock(), Shelf([1000]), keys)

    async def want(talk: Talk) -> None:
        data = [
            talk.conversation.send(Want(roll_id=ROLL, number=0))
            for _ in range(UNCONFIRMED_PARCELS_MAX + 1)
        ]
        await talk._link.send(*data)

    with_peer(Role.TAKER, serve, want)


def test_a_peer_whose_parcel_has_a_wrong_header_has_failed() -> None:
    """Salt and record size are agreed on; a record of 4 GiB is never waited for."""
    store = Store([1000])

    async def take(link: MemoryLink) -> None:
        keys = await greeted(link, LoopClock(), KEYS, TICKET)
        await take_lane(link, LoopClock(), store, keys)

    async def give(talk: Talk) -> None:
        await talk.say(ParcelHead(roll_id=ROLL, number=0, data_bytes=1000, piece_count=1))
        await talk.say_body(bytes(16) + b"\xff\xff\xff\xff\0")

    with_peer(Role.GIVER, take, give)
    assert store.nothing_open()


def test_a_parcel_that_nobody_asked_for_is_not_taken() -> None:
    """A fetching end takes what it wants, and only that."""

    async def story(lane: Lane) -> None:
        lane.orders.waiting = []
        lane.start()
        await asyncio.sleep(1)
        lane.listener.cancel()
        await asyncio.wait({lane.listener})
        talk = Conversation(Role.GIVER, KEYS.for_session(NONCE), dialled=False)
        talk.send(LaneWelcome())
        await lane.far.send(
            talk.send(ParcelHead(roll_id=ROLL, number=0, data_bytes=1000, piece_count=1))
        )
        assert "not asked for" in str(await ends_lost(lane.dialler))

    run([1000], False, story)
