"""A peer with keys of its own that was paired, and speaks the protocol badly on purpose."""

import asyncio
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Coroutine
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import xxhash

from syncd.edges.clock import RealClock
from syncd.edges.threads import ThreadLines
from syncd.errors import LinkLostError, SyncdError
from syncd.handoff.outgoing import offer_for, pages
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, Inventory, ordered
from syncd.roll.parcels import ParcelPlan
from syncd.wire.control_client import PeerClient
from syncd.wire.frames import Conversation, Role
from syncd.wire.identity import Identity
from syncd.wire.keys import LaneKeys
from syncd.wire.lane_events import Event, ParcelHead
from syncd.wire.lane_talk import Talk
from syncd.wire.messages import InventoryPage, LaneTicket, Offer, OpenLane
from syncd.wire.seal import RECORD_SIZE_MAX
from tests.boxes import DAY, Box

LANE_S = 15.0
TLS_END_S = 0.2


class HostilePeer:
    """Asks and sends what it likes, on the running loop. said: every refusal that it got."""

    def __init__(self, name: str, role: str, folder: Path) -> None:
        self.name = name
        self.role = role
        self.clock = RealClock()
        self.lines = ThreadLines()
        self.identity = Identity.load_or_make(folder / name, name, time.time_ns() // 1_000_000)
        self.said: list[str] = []

    def table(self) -> str:
        """Return the [[peer]] that pairs it, with its role and no other."""
        return (
            f'[[peer]]\nname = "{self.name}"\nfingerprint = "{self.identity.fingerprint}"\n'
            f'roles = ["{self.role}"]\n'
        )

    @asynccontextmanager
    async def calling(self, box: Box) -> AsyncIterator["Calls"]:
        """Ask a box over connections of its own."""
        at = [("127.0.0.1", box.control)]
        client = PeerClient(box.name, lambda: at, self.identity, box.fingerprint, self.clock)
        try:
            yield Calls(self, client)
        finally:
            await client.close()
            await asyncio.sleep(TLS_END_S)  # closing says goodbye, and waits for nobody's answer


class Calls:
    """Questions of a hostile peer; a refusal is noted, and no error."""

    def __init__(self, peer: HostilePeer, client: PeerClient) -> None:
        self.peer = peer
        self._client = client

    async def ask(self, question: Any) -> Any:
        """Return the answer, or the error that came in its place."""
        try:
            return await self._client.ask(question)
        except SyncdError as error:
            self.peer.said.append(str(error))
            return error

    async def offer(self, inventory: Inventory, head: Offer | None = None) -> Any:
        """Offer a roll with all its pages; return the last answer."""
        head = head or head_of(inventory)
        await self.ask(head)
        for first, page in pages(inventory.files):
            await self.ask(InventoryPage(roll_id=head.roll_id, first=first, files=page))
        return await self.ask(head)

    async def say_on_a_lane(self, purpose: str, *events: Event, plain: bytes = b"") -> str:
        """Say events on a lane, then a parcel's bytes; hear what comes back until the lane ends.

        plain: data and digests, which are sealed as they have to be.
        """
        ticket = await self.ask(OpenLane(purpose=purpose))
        if isinstance(ticket, SyncdError):
            return str(ticket)
        heard: list[str] = []
        with suppress(LinkLostError):
            await self._ride(ticket, purpose, lambda talk: _say(talk, events, plain, heard))
        return " ".join(heard)

    async def garble(self) -> None:
        """Open a lane with a good ticket and send what no lane has."""

        async def garble(talk: Talk) -> None:
            await talk._link.send(b"\xff" * 64)

        with suppress(LinkLostError):
            await self._ride(await self.ask(OpenLane(purpose="send")), "send", garble)

    async def is_welcome(self, ticket: LaneTicket, purpose: str = "send") -> bool:
        """Tell whether a ticket opens a lane."""
        try:
            await self._ride(ticket, purpose, _say_nothing)
        except LinkLostError:
            return False
        return True

    async def _ride(
        self, ticket: LaneTicket, purpose: str, work: Callable[[Talk], Awaitable[None]]
    ) -> None:
        """Dial a lane and do something on it. Raises LinkLostError."""
        link = await self.peer.lines.dial("127.0.0.1", ticket.port)
        role = Role.GIVER if purpose == "send" else Role.TAKER
        talk = Talk(
            link, self.peer.clock, Conversation(role, LaneKeys(ticket.key), dialled=True), None
        )

        async def ride() -> None:
            await talk.dial(ticket.ticket)
            await work(talk)

        try:
            riding = self.peer.lines.run("hostile", ride())
            await asyncio.wait_for(asyncio.shield(asyncio.ensure_future(riding)), LANE_S)
        finally:
            link.close()


async def _say_nothing(talk: Talk) -> None:
    del talk


async def _say(talk: Talk, events: tuple[Event, ...], plain: bytes, heard: list[str]) -> None:
    for event in events:
        await talk.say(event)
    if plain:
        await _say_sealed(talk, plain)
    ends_s = time.monotonic() + 1
    while time.monotonic() < ends_s:
        event_heard = await talk.hear(0.2)
        if event_heard is not None:
            heard.append(repr(event_heard))


async def _say_sealed(talk: Talk, plain: bytes) -> None:
    """Send the bytes of the parcel that was announced last, with nothing wrong about them."""
    sealer = talk.conversation.coverer()
    await talk.say_body(sealer.header)
    room = memoryview(bytearray(RECORD_SIZE_MAX))
    while not sealer.is_done:
        record, plain = plain[: sealer.next_bytes], plain[sealer.next_bytes :]
        await talk.say_body(*sealer.cover(memoryview(bytearray(record + b"\0")), room))


def inventory(number: int, *paths: str, size: int = 1000, name: str = "") -> Inventory:
    """Return a roll that nobody has; sizes and digests are made up."""
    digest = Digest(Algorithm.XXH64, number.to_bytes(8, "big"))
    entries = [FileEntry(path, size, 1, (digest,)) for path in paths or ("Clips/C001.mov",)]
    return Inventory(DAY, name or f"X{number:05}", ordered(entries))


def head_of(roll: Inventory) -> Offer:
    """Return its offer."""
    return offer_for(roll.roll_id, roll, ParcelPlan(roll), None)


def zeros_for(head: ParcelHead) -> bytes:
    """Return as many zeros as head announces, with a digest that is theirs for each piece."""
    piece = bytes(head.data_bytes // head.piece_count)
    return bytes(head.data_bytes) + xxhash.xxh128_digest(piece) * head.piece_count


async def while_it_lasts(work: Coroutine[Any, Any, None], seconds: float) -> None:
    """Run an attack for so long at most."""
    with suppress(TimeoutError):
        await asyncio.wait_for(work, seconds)
