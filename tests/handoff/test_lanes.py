"""Lanes over real sockets whose storage stalls, and whose peer says so, or does not."""

import asyncio
import threading
import time
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from ipaddress import ip_network
from typing import Any

import pytest

from syncd.config.shapes import ClearConfig
from syncd.edges.chance import SystemChance
from syncd.edges.clock import RealClock
from syncd.edges.disk import RealDisk
from syncd.edges.threads import ThreadLines
from syncd.errors import LinkLostError
from syncd.handoff import lanes as lanes_module
from syncd.handoff.lanes import LaneKeeper
from syncd.handoff.unsealed import Unsealed
from syncd.limits import MIB
from syncd.ports import Link, Ports
from syncd.wire import lane_talk, lane_watch
from syncd.wire.bulk_server import BulkServer
from syncd.wire.keys import Seal
from syncd.wire.lane import LaneKeys, LaneState, send_lane, take_lane
from syncd.wire.lane_watch import LaneWatch
from syncd.wire.messages import LaneTicket, OpenLane, PeerIdentity
from syncd.wire.tickets import Redeemed, Tickets
from tests.wire.parcels import Orders, Shelf, Sink, Store

PEER = PeerIdentity("offload-1", "sha256:" + "ab" * 32, "127.0.0.1")
SIZES = [16 * MIB] * 6  # more than the system keeps between two ends on one machine
# Long enough that a thread which waits for a busy processor is not taken for a dead peer.
DEAD_S = 2.5
STALL_S = 3 * DEAD_S


class StallingStore(Store):
    """A storage whose first sync takes its time."""

    def __init__(self, sizes: list[int], stall_s: float) -> None:
        super().__init__(sizes)
        self.stalled = threading.Event()
        self.goes_on = threading.Event()
        self._stall_s = stall_s

    def commit(self, sinks: Iterable[Sink]) -> None:
        if not self.stalled.is_set():
            self.stalled.set()
            self.goes_on.wait(self._stall_s)
        super().commit(sinks)


class Scene:
    """Both ends of one lane, and how often a parcel was read to be sent."""

    def __init__(self, stall_s: float) -> None:
        self.clock = RealClock()
        self.ports = Ports(self.clock, SystemChance(), RealDisk(), ThreadLines())
        self.tickets = Tickets(SystemChance(), self.clock)
        self.watch = LaneWatch(self.clock)
        self.store = StallingStore(SIZES, stall_s)
        self.shelf = Shelf(SIZES)
        self.orders = Orders(len(SIZES))
        self.lost = 0
        self._loop = asyncio.get_running_loop()
        self._ended = self.orders.ended
        self.orders.ended = self  # type: ignore[assignment]
        self.server = BulkServer(
            "127.0.0.1",
            0,
            lines=self.ports.lines,
            tickets=self.tickets,
            handler=self._take,
            clock=self.clock,
        )

    def set(self) -> None:
        """Stand in for an event that a lane's thread sets."""
        self._loop.call_soon_threadsafe(self._ended.set)

    async def ask(self, question: Any) -> LaneTicket:
        """Answer as the peer's control plane does."""
        assert isinstance(question, OpenLane)
        ticket, key = self.tickets.issue(PEER, question.purpose, question.session)
        return LaneTicket(ticket=ticket, key=key, port=self.server.port)

    async def close(self) -> None: ...

    async def _take(self, redeemed: Redeemed, link: Link) -> None:
        with self.watch.riding(link, peer=redeemed.peer.name) as state:
            await take_lane(link, self.clock, self.store, redeemed.keys, state=state)

    async def ride(self, lane: int, link: Link, ticket: LaneTicket, state: LaneState) -> None:
        assert lane == 0
        keys = LaneKeys(ticket.key)
        await send_lane(
            link, self.clock, self.orders, self.shelf, keys, 3, ticket=ticket.ticket, state=state
        )

    def note_lost(self, _: int) -> None:
        self.lost += 1

    async def all_moved(self, running: "asyncio.Task[None]") -> None:
        """Wait for the last parcel; if the hand-off ends before that, raise what ended it."""
        ended = asyncio.ensure_future(self._ended.wait())
        try:
            async with asyncio.timeout(60):
                await asyncio.wait({ended, running}, return_when=asyncio.FIRST_COMPLETED)
            if not ended.done():
                await running
        finally:
            ended.cancel()


@asynccontextmanager
async def moving(
    monkeypatch: pytest.MonkeyPatch, *, peer_says_so: bool
) -> AsyncIterator[tuple[Scene, "asyncio.Task[None]"]]:
    """Run a hand-off over one lane; what counts as dead comes soon."""
    for module in (lane_talk, lane_watch):
        monkeypatch.setattr(module, "DEAD_AFTER_S", DEAD_S)
    monkeypatch.setattr(lane_watch, "STORAGE_SLOW_AFTER_S", DEAD_S / 4)
    monkeypatch.setattr(lanes_module, "TICK_S", DEAD_S / 8)
    scene = Scene(STALL_S)
    keeper = LaneKeeper(
        calls=scene,
        ports=scene.ports,
        host=lambda: "127.0.0.1",
        purpose="send",
        count=1,
        ride=scene.ride,
        lost=scene.note_lost,
        excused=lambda: peer_says_so and scene.watch.storage_wait_s() > 0,
    )
    async with scene.server:
        running = asyncio.create_task(keeper.run())
        try:
            yield scene, running
        finally:
            scene.store.goes_on.set()
            running.cancel()
            await asyncio.wait({running})


async def test_a_storage_that_stalls_is_waited_for_and_nothing_travels_twice(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Three times longer than a dead peer gets: the lane stands, each parcel is taken once."""
    async with moving(monkeypatch, peer_says_so=True) as (scene, running):
        began_s = time.monotonic()
        await scene.all_moved(running)
        assert time.monotonic() - began_s >= STALL_S, "the storage did stall"
        assert scene.lost == 0
    assert scene.store.has_all()
    assert len(scene.store.sinks) == len(SIZES), "no parcel came twice"


async def test_how_long_the_storage_has_written_nothing_is_known_meanwhile(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """It counts up while the write is stuck, and is nothing afterwards."""
    async with moving(monkeypatch, peer_says_so=True) as (scene, running):
        await asyncio.to_thread(scene.store.stalled.wait, 10)
        await asyncio.sleep(DEAD_S)
        waited_s = scene.watch.storage_wait_s()
        assert DEAD_S * 0.9 <= waited_s <= STALL_S
        scene.store.goes_on.set()
        await scene.all_moved(running)
        assert scene.watch.storage_wait_s() == 0.0


async def test_a_peer_that_takes_nothing_and_does_not_say_why_is_cut(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its lane ends after the time that a dead peer gets, and not before."""
    async with moving(monkeypatch, peer_says_so=False) as (scene, running):
        await asyncio.to_thread(scene.store.stalled.wait, 10)
        began_s = time.monotonic()
        await asyncio.wait({running}, timeout=3 * STALL_S)
        took_s = time.monotonic() - began_s
        assert scene.lost == 1
        assert DEAD_S * 0.5 <= took_s < STALL_S
        error = running.exception()
        assert isinstance(error, ExceptionGroup)
        assert isinstance(error.exceptions[0], LinkLostError)


class Agreeing:
    """A peer that gives out tickets in the mode that it was told; asked: in which it was asked."""

    def __init__(self, seal: Seal) -> None:
        self.asked: list[Seal] = []
        self._seal = seal

    async def ask(self, question: Any) -> LaneTicket:
        self.asked.append(question.seal)
        return LaneTicket(ticket=bytes(16), key=bytes(16), port=9, seal=self._seal)

    async def close(self) -> None: ...


class Undialled:
    """Lines that note the host that is dialled, and get no further."""

    def __init__(self) -> None:
        self.dialled: list[str] = []

    async def dial(self, host: str, port: int) -> Link:
        del port
        self.dialled.append(host)
        raise LinkLostError("Nobody is there.", remedy="Wait.")

    def run(self, name: str, lane: Any) -> Any:
        raise AssertionError(f"{name} has no link for {lane}")


@pytest.mark.parametrize(
    ("hosts", "given", "asked", "is_dialled"),
    [
        (["10.20.0.2"] * 2, Seal.CLEAR, Seal.CLEAR, True),
        (["10.20.0.2"] * 2, Seal.SEALED, Seal.CLEAR, True),
        (["192.168.7.2"] * 2, Seal.SEALED, Seal.SEALED, True),
        (["192.168.7.2"] * 2, Seal.CLEAR, Seal.SEALED, False),
        (["10.20.0.2", "192.168.7.2"], Seal.CLEAR, Seal.CLEAR, False),
    ],
    ids=["agreed", "refused", "elsewhere", "forced", "moved meanwhile"],
)
async def test_a_lane_is_dialled_in_clear_only_on_the_cable_that_was_meant(
    hosts: list[str], given: Seal, asked: Seal, is_dialled: bool
) -> None:
    """Whatever the other box answers, and wherever it is by then."""
    calls, lines, places = Agreeing(given), Undialled(), list(hosts)
    keeper = LaneKeeper(
        calls=calls,
        ports=Ports(RealClock(), SystemChance(), RealDisk(), lines),
        host=lambda: places.pop(0),
        purpose="send",
        count=1,
        ride=lambda *_: asyncio.sleep(0),
        lost=lambda _: None,
        excused=lambda: False,
        peer="process-1",
        unsealed=Unsealed((ClearConfig(peer="process-1", net=ip_network("10.20.0.0/24")),)),
    )
    with pytest.raises(ExceptionGroup) as ended:
        await keeper.run()
    assert ended.group_contains(LinkLostError)
    assert calls.asked == [asked]
    assert lines.dialled == ([hosts[-1]] if is_dialled else [])
