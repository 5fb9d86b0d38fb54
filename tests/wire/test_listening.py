"""Who listens on the bulk port: every byte of real lanes, both ways, sealed and in clear."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import fields

import msgpack
import pytest

from syncd.errors import LinkLostError
from syncd.ports import Link
from syncd.roll.stages import HeldCode
from syncd.wire.frames import Conversation, Role
from syncd.wire.keys import LaneKeys, Seal
from syncd.wire.lane_events import KIND_KEY, KINDS, Bye, LaneHello, LaneNonce, LaneWelcome
from syncd.wire.lane_talk import Talk
from syncd.wire.tickets import Redeemed
from tests.wire.bulk_box import CLOCK, LINES, PEER, Box, Dialler, box
from tests.wire.parcels import ROLL, Shelf, data_of, ends_lost, held

SIZES = [1000, 2000, 5000]
REFUSED = 1
READABLE = (LaneNonce, LaneHello)
REASON = "The array of process-1 is being moved"

pytestmark = pytest.mark.usefixtures("nothing_left")


class Listener:
    """One on the cable, who passes everything on as it is. heard: all that went by."""

    def __init__(self, port: int) -> None:
        self.port = 0
        self.heard = bytearray()
        self._to = port

    @asynccontextmanager
    async def listening(self) -> AsyncIterator["Listener"]:
        """Listen on a free port."""
        relays: set[asyncio.Task[None]] = set()

        async def relay(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            task = asyncio.current_task()
            assert task is not None
            relays.add(task)
            there, onward = await asyncio.open_connection("127.0.0.1", self._to)
            await asyncio.gather(self._pass(reader, onward), self._pass(there, writer))

        server = await asyncio.start_server(relay, "127.0.0.1", 0)
        self.port = server.sockets[0].getsockname()[1]
        try:
            yield self
        finally:
            server.close()
            await asyncio.gather(*relays)

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        with suppress(ConnectionError):
            while data := await reader.read(1 << 16):
                self.heard += data
                writer.write(data)
                await writer.drain()
        writer.close()


async def lane_heard(there: Box, purpose: str, seal: Seal) -> tuple[Dialler, bytes]:
    """Move three parcels, of which one is declined; return what could be heard of it."""
    dialler = Dialler(there, purpose, SIZES, seal)
    there.store.refuses = {REFUSED}
    there.shelf.fails_at = {REFUSED: -1}
    listener = Listener(there.server.port)
    async with listener.listening():
        dialler.link = await LINES.dial("127.0.0.1", listener.port)
        running = asyncio.ensure_future(LINES.run("dialler", dialler.run()))
        async with asyncio.timeout(60):
            await dialler.ended.wait()
        dialler.link.close()
        await ends_lost(running)
    return dialler, bytes(listener.heard)


def told_by(heard: bytes) -> list[bytes]:
    """Return what bytes say of rolls: ids, paths, reasons, kinds of frames, names of fields.

    Each is six bytes or longer, as sealed bytes could hold a shorter word by chance.
    """
    error = held()
    texts = {ROLL, error.problem, error.remedy, str(error.path), REASON, *map(str, HeldCode)}
    words = {text.encode() for text in texts} | {bytes.fromhex(ROLL), Shelf([]).evidence}
    for name, kind in KINDS.items():
        if kind not in READABLE:
            words.add(KIND_KEY.encode() + msgpack.packb(name))
            words |= {msgpack.packb(field.name) for field in fields(kind)}
    return sorted(word for word in words if len(word) > 5 and word in heard)


@pytest.mark.parametrize("seal", list(Seal))
@pytest.mark.parametrize("purpose", ["send", "fetch"])
async def test_a_lane_tells_a_listener_neither_roll_nor_path_nor_reason(
    purpose: str, seal: Seal
) -> None:
    """He hears the greeting and, where both boxes ask for clear, the footage; nothing else."""
    async with box(SIZES) as there:
        dialler, heard = await lane_heard(there, purpose, seal)
    assert sorted(dialler.orders.done) == [0, 2]
    assert dialler.orders.refused[REFUSED][1] == held().path, "a path was told to the other end"
    assert all(kind.__name__.encode() in heard for kind in READABLE), "he hears what there is"
    assert (data_of(0, SIZES[0]) in heard) == (seal is Seal.CLEAR)
    assert told_by(heard) == []


@pytest.mark.parametrize("seal", list(Seal))
async def test_a_listener_does_not_hear_why_a_lane_ends(seal: Seal) -> None:
    """The end that is told does."""

    async def take_leave(redeemed: Redeemed, link: Link) -> None:
        talk = Talk(link, CLOCK, Conversation(Role.TAKER, redeemed.keys, dialled=False), None)
        await talk.say(LaneWelcome())
        await talk.say(Bye(reason=REASON))
        with suppress(LinkLostError):
            while True:
                await talk.hear(10)

    async with box() as there:
        there.server._handler = take_leave
        ticket, key = there.tickets.issue(PEER, "send", seal=seal)
        listener = Listener(there.server.port)
        async with listener.listening():
            link = await LINES.dial("127.0.0.1", listener.port)
            keys = LaneKeys(key, seal)
            talk = Talk(link, CLOCK, Conversation(Role.GIVER, keys, dialled=True), None)
            with pytest.raises(LinkLostError, match=REASON):
                await LINES.run("dialler", _hear_out(talk, ticket))
            link.close()
    assert b"LaneHello" in listener.heard
    assert told_by(bytes(listener.heard)) == []


async def _hear_out(talk: Talk, ticket: bytes) -> None:
    await talk.dial(ticket)
    await talk.hear(10)
