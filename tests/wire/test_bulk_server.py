"""The bulk port over real sockets: whole hand-offs, strangers, caps, and a clean end."""

import asyncio
import socket
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from typing import Any

import pytest

from syncd.edges.tcp import TcpLink
from syncd.edges.threads import ThreadLines, drive
from syncd.errors import LinkLostError
from syncd.limits import LANES_MAX, MIB
from syncd.ports import Link
from syncd.wire import bulk_server
from syncd.wire.bulk_server import BulkServer
from syncd.wire.frames import Conversation, Role, frame_bytes
from syncd.wire.greeting import read_nonce
from syncd.wire.lane import LaneKeys, fetch_lane, send_lane, serve_lane, take_lane
from syncd.wire.lane_events import LaneHello, encode
from syncd.wire.messages import PeerIdentity
from syncd.wire.tickets import Redeemed, Tickets
from tests.wire.conftest import WallClock
from tests.wire.parcels import Orders, Shelf, Store, ends_lost

PEER = PeerIdentity("offload-1", "sha256:" + "ab" * 32, "127.0.0.1")
OTHER = PeerIdentity("edit-1", "sha256:" + "cd" * 32, "127.0.0.1")
SIZES = [0, 1000, 5 * MIB, 16 * MIB, MIB - 16]
CLOCK = WallClock()
LINES = ThreadLines()
LANE = 3
SOON_S = 10.0

pytestmark = pytest.mark.usefixtures("nothing_left")


class Chance:
    """Bytes that are never the same."""

    def __init__(self) -> None:
        self._made = 0

    def random_bytes(self, count: int) -> bytes:
        self._made += 1
        return self._made.to_bytes(count, "big")

    def uniform(self, low: float, high: float) -> float:
        return (low + high) / 2


class Box:
    """A box with a bulk port: it takes into store, and serves from shelf."""

    def __init__(self, sizes: list[int]) -> None:
        self.tickets = Tickets(Chance(), CLOCK)
        self.store, self.shelf = Store(sizes), Shelf(sizes)
        self.riding = threading.Semaphore(0)
        self.server = BulkServer(
            "127.0.0.1", 0, lines=LINES, tickets=self.tickets, handler=self.handle
        )

    async def handle(self, redeemed: Redeemed, link: Link) -> None:
        """Do what the ticket is for."""
        self.riding.release()
        if redeemed.purpose == "send":
            await take_lane(link, CLOCK, self.store, redeemed.keys)
        await serve_lane(link, CLOCK, self.shelf, redeemed.keys)

    async def until_riding(self, count: int) -> None:
        """Wait until count lanes have shown their tickets."""
        for _ in range(count):
            assert await asyncio.to_thread(self.riding.acquire, timeout=SOON_S)

    async def until_open(self, count: int) -> None:
        """Wait until no more than count connections are open."""
        async with asyncio.timeout(SOON_S):
            while self.server.lane_count > count:
                lanes = tuple(self.server._lanes)
                await asyncio.wait(lanes, return_when=asyncio.FIRST_COMPLETED)

    async def show_ticket(self, peer: PeerIdentity = PEER) -> TcpLink:
        """Dial and show a good ticket, and no more than that."""
        return await self.show(*self.tickets.issue(peer, "send"))

    async def show(self, ticket: bytes, key: bytes, host: str = "127.0.0.1") -> TcpLink:
        """Dial from host and prove a ticket's key."""
        link = self.dial(host)
        with suppress(LinkLostError):
            await LINES.run("showing", self._show(link, ticket, key))
        return link

    async def _show(self, link: TcpLink, ticket: bytes, key: bytes) -> None:
        talk = Conversation(Role.GIVER, LaneKeys(key), dialled=True)
        await link.send(talk.send(talk.hello(ticket, await read_nonce(link, CLOCK))))

    def dial(self, host: str = "127.0.0.1") -> TcpLink:
        """Dial from host."""
        address = ("127.0.0.1", self.server.port)
        return TcpLink(socket.create_connection(address, source_address=(host, 0)))

    def say(self, first: bytes) -> TcpLink:
        """Dial and say something."""
        link = self.dial()
        with suppress(LinkLostError):  # they may have closed it already
            drive(link.send(first))
        return link


@asynccontextmanager
async def box(sizes: list[int] | None = None) -> AsyncIterator[Box]:
    """Give a box that listens."""
    made = Box(sizes or [])
    async with made.server:
        yield made


async def is_closed_by_them(link: TcpLink) -> bool:
    """Wait until the other side has closed the link."""

    async def listen() -> None:
        while await link.receive_into(memoryview(bytearray(1000)), SOON_S):
            pass

    try:
        await LINES.run("listening", listen())
    except LinkLostError:
        return True
    finally:
        link.close()
    return False


class Dialler:
    """The other end of a lane, in a thread of its own."""

    def __init__(self, there: Box, purpose: str) -> None:
        self._there = there
        self._purpose = purpose
        self._loop = asyncio.get_running_loop()
        self.orders = Orders(len(SIZES), is_good=self._is_good)
        self.orders.ended = self  # type: ignore[assignment]
        self.ended = asyncio.Event()
        self.store, self.shelf = Store(SIZES), Shelf(SIZES)
        self.link: TcpLink | None = None

    def set(self) -> None:
        """Stand in for an event that a lane's thread sets."""
        self._loop.call_soon_threadsafe(self.ended.set)

    def _is_good(self, number: int) -> bool:
        store = self._there.store if self._purpose == "send" else self.store
        return number in store.stored

    async def run(self) -> None:
        ticket, key = self._there.tickets.issue(PEER, self._purpose)
        assert self.link is not None, "it is dialled on the loop"
        ends: dict[str, Any] = {"ticket": ticket}
        if self._purpose == "send":
            await send_lane(self.link, CLOCK, self.orders, self.shelf, LaneKeys(key), LANE, **ends)
        await fetch_lane(self.link, CLOCK, self.store, self.orders, LaneKeys(key), LANE, **ends)


async def moves_all(there: Box, purpose: str) -> Dialler:
    """Run a lane until every order has an outcome, and close it."""
    dialler = Dialler(there, purpose)
    dialler.link = await LINES.dial("127.0.0.1", there.server.port)
    running = asyncio.ensure_future(LINES.run("dialler", dialler.run()))
    async with asyncio.timeout(60):
        await dialler.ended.wait()
    assert dialler.link is not None
    dialler.link.close()
    await ends_lost(running)
    return dialler


async def test_parcels_are_pushed_over_real_sockets() -> None:
    """Sealed, written, confirmed once they are durable."""
    async with box(SIZES) as there:
        dialler = await moves_all(there, "send")
    assert there.store.has_all()
    assert sorted(dialler.orders.done) == list(range(len(SIZES)))


async def test_parcels_are_fetched_over_real_sockets() -> None:
    """The same the other way, over a connection dialled by the end that takes."""
    async with box(SIZES) as there:
        dialler = await moves_all(there, "fetch")
    assert dialler.store.has_all()


async def test_leaving_the_server_ends_lanes_that_are_idle() -> None:
    """Both ends notice; no thread, no task and no link is left."""
    async with box() as there:
        links = [await there.show_ticket() for _ in range(3)]
        await there.until_riding(3)
    for link in links:
        assert await is_closed_by_them(link)


async def test_leaving_the_server_ends_connections_that_have_said_nothing() -> None:
    """A stranger that hangs on the port holds no stopping daemon."""
    async with box() as there:
        stranger = there.say(b"\0\0")
        await asyncio.sleep(0.02)
    assert await is_closed_by_them(stranger)


@pytest.mark.parametrize(
    "first",
    [
        frame_bytes(encode(LaneHello(ticket=b"?" * 16, proof=b"?" * 32))),
        b"GET / HTTP/1.1\r\n\r\n",
        b"\xff\xff\xff\xff",
        frame_bytes(b"\xc1"),
    ],
    ids=["unknown ticket", "http", "4 GiB", "noise"],
)
async def test_whoever_has_no_ticket_is_shown_the_door(first: bytes) -> None:
    """And the port goes on serving those who have one."""
    async with box() as there:
        assert await is_closed_by_them(there.say(first))
        good = await there.show_ticket()
        await there.until_riding(1)
        good.close()


async def test_a_ticket_opens_one_lane() -> None:
    """Shown a second time it opens nothing."""
    async with box() as there:
        ticket, key = there.tickets.issue(PEER, "send")
        first = await there.show(ticket, key)
        await there.until_riding(1)
        assert await is_closed_by_them(await there.show(ticket, key))
        first.close()


async def test_one_peer_cannot_take_all_lanes() -> None:
    """The lane above its number is closed; another peer still gets one."""
    async with box() as there:
        links = [await there.show_ticket() for _ in range(LANES_MAX)]
        await there.until_riding(LANES_MAX)
        assert await is_closed_by_them(await there.show_ticket())
        links.append(await there.show_ticket(OTHER))
        await there.until_riding(1)
        for link in links:
            link.close()


async def test_connections_are_counted_before_anybody_is_known(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Above the cap they are closed unheard, and there is room again once others have gone."""
    monkeypatch.setattr(bulk_server, "BULK_LINKS_MAX", 2)
    async with box() as there:
        links = [await there.show_ticket(), await there.show_ticket()]
        await there.until_riding(2)
        assert await is_closed_by_them(await there.show_ticket())
        assert not there.riding.acquire(blocking=False)
        for link in links:
            link.close()
        await there.until_open(0)
        again = await there.show_ticket()
        await there.until_riding(1)
        again.close()


async def test_a_handler_that_fails_is_logged_and_the_port_lives(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """With its traceback; the connection is closed."""
    async with box() as there:

        async def fail(*_: object) -> None:
            raise ZeroDivisionError

        there.server._handler = fail
        assert await is_closed_by_them(await there.show_ticket())
        await there.until_open(0)
    assert "ZeroDivisionError" in caplog.text


async def test_a_lane_that_hangs_does_not_hold_the_end(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A storage that does not answer is named, and left behind."""
    monkeypatch.setattr(bulk_server, "CLOSE_S", 0.05)
    storage_answers = threading.Event()
    async with box() as there:

        async def hang(*_: object) -> None:
            there.riding.release()
            storage_answers.wait(SOON_S)

        there.server._handler = hang
        link = await there.show_ticket()
        await there.until_riding(1)
    assert "does not answer" in caplog.text
    storage_answers.set()
    link.close()
    hanging = [t for t in threading.enumerate() if t.name.startswith("bulk-")]
    for thread in hanging:
        thread.join(SOON_S)


async def test_a_lane_that_its_owner_ends_is_no_news(caplog: pytest.LogCaptureFixture) -> None:
    """Every fetch and every shutdown ends lanes so; only what really broke is logged."""
    with caplog.at_level("INFO", "syncd.wire.bulk_server"):
        async with box(SIZES) as there:
            await moves_all(there, "send")
            await there.until_open(0)
    assert caplog.messages == []
