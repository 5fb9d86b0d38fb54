"""A box with a bulk port, and whoever dials it, over real sockets."""

import asyncio
import socket
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from typing import Any

from syncd.edges.tcp import TcpLink
from syncd.edges.threads import ThreadLines, drive
from syncd.errors import LinkLostError
from syncd.limits import MIB
from syncd.ports import Link
from syncd.wire.bulk_server import BulkServer
from syncd.wire.frames import Conversation, Role
from syncd.wire.greeting import read_nonce
from syncd.wire.keys import LaneKeys, Seal
from syncd.wire.lane import fetch_lane, send_lane, serve_lane, take_lane
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
    """The other end of a lane, in a thread of its own. keys: those of its ticket, by ticket."""

    def __init__(
        self, there: Box, purpose: str, sizes: list[int], seal: Seal = Seal.SEALED
    ) -> None:
        self._there = there
        self._purpose = purpose
        self._seal = seal
        self._loop = asyncio.get_running_loop()
        self.orders = Orders(len(sizes), is_good=self._is_good)
        self.orders.ended = self  # type: ignore[assignment]
        self.ended = asyncio.Event()
        self.store, self.shelf = Store(sizes), Shelf(sizes)
        self.link: TcpLink | None = None
        self.keys: dict[bytes, LaneKeys] = {}

    def set(self) -> None:
        """Stand in for an event that a lane's thread sets."""
        self._loop.call_soon_threadsafe(self.ended.set)

    def _is_good(self, number: int) -> bool:
        store = self._there.store if self._purpose == "send" else self.store
        return number in store.stored

    async def run(self) -> None:
        ticket, key = self._there.tickets.issue(PEER, self._purpose, seal=self._seal)
        keys = self.keys[ticket] = LaneKeys(key, self._seal)
        assert self.link is not None, "it is dialled on the loop"
        ends: dict[str, Any] = {"ticket": ticket}
        if self._purpose == "send":
            await send_lane(self.link, CLOCK, self.orders, self.shelf, keys, LANE, **ends)
        await fetch_lane(self.link, CLOCK, self.store, self.orders, keys, LANE, **ends)


async def moves_all(there: Box, purpose: str, seal: Seal = Seal.SEALED) -> Dialler:
    """Run a lane until every order has an outcome, and close it."""
    dialler = Dialler(there, purpose, SIZES, seal)
    dialler.link = await LINES.dial("127.0.0.1", there.server.port)
    running = asyncio.ensure_future(LINES.run("dialler", dialler.run()))
    async with asyncio.timeout(60):
        await dialler.ended.wait()
    assert dialler.link is not None
    dialler.link.close()
    await ends_lost(running)
    return dialler
