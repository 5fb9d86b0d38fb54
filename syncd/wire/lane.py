"""The four ways to use a lane: push or answer, each as the giving and as the taking end.

Owns: in which order a lane looks at what came, at its orders, and at the clock.
Must not: read, write, seal or frame; lane_give.py, lane_take.py, seal.py and frames.py do.

Each function runs until its link is closed or lost, and always ends by raising LinkLostError, or
what its source or intake raised that is nobody's plan. In a thread nothing here suspends;
in a simulation the link does. A lane that waits is woken by its link's wake().
"""

from collections import deque
from collections.abc import Callable
from typing import NoReturn

from syncd.errors import HeldError, UnfitError
from syncd.limits import UNCONFIRMED_PARCELS_MAX
from syncd.ports import Clock, Link
from syncd.roll.parcels import ParcelOrder
from syncd.roll.stages import HeldCode
from syncd.wire.frames import Conversation, PeerProtocolError, Role
from syncd.wire.keys import LaneKeys
from syncd.wire.lane_events import Confirmed, Declined, Event, LaneWelcome, ParcelHead, Want
from syncd.wire.lane_give import Giver
from syncd.wire.lane_shapes import (
    Intake,
    LaneStats,
    ParcelFeed,
    ParcelReader,
    ParcelSink,
    ParcelSource,
)
from syncd.wire.lane_take import Taker
from syncd.wire.lane_talk import Talk
from syncd.wire.lane_watch import LaneState

__all__ = [
    "Intake",
    "LaneKeys",
    "LaneState",
    "LaneStats",
    "ParcelFeed",
    "ParcelReader",
    "ParcelSink",
    "ParcelSource",
    "fetch_lane",
    "send_lane",
    "serve_lane",
    "take_lane",
]


async def send_lane(  # noqa: PLR0917 - one for each thing a lane joins
    link: Link,
    clock: Clock,
    feed: ParcelFeed,
    source: ParcelSource,
    keys: LaneKeys,
    lane: int,
    *,
    ticket: bytes,
    stats: LaneStats | None = None,
    state: LaneState | None = None,
) -> NoReturn:
    """Push what feed orders, as the end that dialled; at most a few parcels unconfirmed."""
    talk = Talk(link, clock, Conversation(Role.GIVER, keys, dialled=True), stats, state)
    await talk.dial(ticket)
    giver = Giver(talk, source)
    orders = _Orders(feed, lane)
    while True:
        while (event := await talk.hear(0)) is not None:
            orders.hear(event)
        order = orders.next()
        if order is None:
            if (event := await talk.hear_or_beat()) is not None:
                orders.hear(event)
        elif (error := await giver.give(order)) is not None:
            orders.drop(order)
            feed.unreadable(lane, order, error)


async def take_lane(
    link: Link,
    clock: Clock,
    intake: Intake,
    keys: LaneKeys,
    *,
    stats: LaneStats | None = None,
    state: LaneState | None = None,
    unfit: Callable[[UnfitError], None] = lambda _: None,
) -> NoReturn:
    """Take what the dialler pushes; a parcel is confirmed once it is durable.

    unfit: told of parcels that are not as their roll says; may block.
    """
    talk = Talk(link, clock, Conversation(Role.TAKER, keys, dialled=False), stats, state)
    await talk.say(LaneWelcome())
    taker = Taker(talk, intake, _Answers(talk), unfit)
    try:
        while True:
            event = await _hear_for(talk, taker)
            if isinstance(event, ParcelHead):
                await taker.take(event)
            elif event is None:
                await taker.commit()
    finally:
        taker.close()


async def fetch_lane(  # noqa: PLR0917 - one for each thing a lane joins
    link: Link,
    clock: Clock,
    intake: Intake,
    feed: ParcelFeed,
    keys: LaneKeys,
    lane: int,
    *,
    ticket: bytes,
    stats: LaneStats | None = None,
    state: LaneState | None = None,
) -> NoReturn:
    """Ask for what feed orders, as the end that dialled, and take it."""
    talk = Talk(link, clock, Conversation(Role.TAKER, keys, dialled=True), stats, state)
    await talk.dial(ticket)
    orders = _Orders(feed, lane)
    taker = Taker(talk, intake, orders)
    try:
        while True:
            while (order := orders.next()) is not None:
                await talk.say(Want(roll_id=order.roll_id, number=order.number))
            event = await _hear_for(talk, taker)
            if isinstance(event, ParcelHead):
                orders.check(event)
                await taker.take(event)
            elif event is not None:
                orders.hear(event)
            else:
                await taker.commit()
    finally:
        taker.close()


async def serve_lane(
    link: Link,
    clock: Clock,
    source: ParcelSource,
    keys: LaneKeys,
    *,
    stats: LaneStats | None = None,
    state: LaneState | None = None,
) -> NoReturn:
    """Give the parcels that the dialler asks for, in the order in which it asks."""
    talk = Talk(link, clock, Conversation(Role.GIVER, keys, dialled=False), stats, state)
    await talk.say(LaneWelcome())
    giver = Giver(talk, source)
    wants: deque[ParcelOrder] = deque()
    while True:
        event = await (talk.hear(0) if wants else talk.hear_or_beat())
        if isinstance(event, Want):
            if len(wants) >= UNCONFIRMED_PARCELS_MAX:
                raise PeerProtocolError("more parcels asked for than a lane may wait for")
            wants.append(ParcelOrder(event.roll_id, event.number))
        elif event is None and wants:
            order = wants.popleft()
            if (error := await giver.give(order)) is not None:
                await talk.say(declined_for(order, error))


async def _hear_for(talk: Talk, taker: Taker) -> Event | None:
    """Wait for the next frame; with parcels at hand that are not durable, only look for one."""
    return await (talk.hear(0) if taker.has_unconfirmed else talk.hear_or_beat())


class _Orders:
    """The orders that are on a dialler's lane, and what feed is told of them."""

    def __init__(self, feed: ParcelFeed, lane: int) -> None:
        self._feed = feed
        self._lane = lane
        self._open: set[ParcelOrder] = set()

    def next(self) -> ParcelOrder | None:
        """Return another parcel to move, if one more may be on the lane."""
        if len(self._open) >= UNCONFIRMED_PARCELS_MAX:
            return None
        order = self._feed.next(self._lane)
        if order is not None:
            self._open.add(order)
        return order

    def drop(self, order: ParcelOrder) -> None:
        """Forget an order; it may have been declined before."""
        self._open.discard(order)

    def check(self, head: ParcelHead) -> None:
        """Raise PeerProtocolError unless the parcel was asked for."""
        if ParcelOrder(head.roll_id, head.number) not in self._open:
            raise PeerProtocolError(f"parcel {head.number} of {head.roll_id} was not asked for")

    def hear(self, event: Event) -> None:
        """Tell feed what the other end says of an order."""
        if not isinstance(event, Confirmed | Declined):
            raise PeerProtocolError(f"{type(event).__name__} to the end that has the orders")
        order = ParcelOrder(event.roll_id, event.number)
        if order not in self._open:
            return  # a void parcel was dropped by us, and then refused by them
        self._open.discard(order)
        if isinstance(event, Confirmed):
            self._feed.confirmed(self._lane, order)
        else:
            code = HeldCode(event.code)
            self._feed.declined(self._lane, order, code, event.message, event.path or None)

    async def durable(self, order: ParcelOrder) -> None:
        """Our own storage has it."""
        self._open.discard(order)
        self._feed.confirmed(self._lane, order)

    async def refused(self, order: ParcelOrder, error: HeldError) -> None:
        """Our own storage cannot take it."""
        self._open.discard(order)
        self._feed.declined(self._lane, order, error.code, str(error), error.path)


class _Answers:
    """Tells the dialler what became of its parcels."""

    def __init__(self, talk: Talk) -> None:
        self._talk = talk

    async def durable(self, order: ParcelOrder) -> None:
        await self._talk.say(Confirmed(roll_id=order.roll_id, number=order.number))

    async def refused(self, order: ParcelOrder, error: HeldError) -> None:
        await self._talk.say(declined_for(order, error))


def declined_for(order: ParcelOrder, error: HeldError) -> Declined:
    """Say why a parcel is not taken, or not given; over-long words are cut."""
    return Declined(
        roll_id=order.roll_id,
        number=order.number,
        code=error.code.value,
        message=_cut(str(error), 8192),
        path=_cut(error.path or "", 1024),
    )


def _cut(text: str, bytes_max: int) -> str:
    """Shorten text to bytes_max of UTF-8, whole characters; lone surrogates are replaced."""
    return text.encode(errors="replace")[:bytes_max].decode(errors="ignore")
