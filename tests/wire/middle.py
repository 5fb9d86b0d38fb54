"""A man in the middle of one lane: reads frames and bodies as they pass, and does as he likes.

He has what anybody on the wire has, every byte both ways, and more: somebody who was told the keys
(told.py) whispers to him what each frame says. He has no key himself.
"""

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from typing import Literal

from syncd.wire.cover import body_bytes
from syncd.wire.keys import DIALLER, LISTENER, LaneKeys, Seal
from syncd.wire.lane_events import Confirmed, ParcelHead, encode
from tests.wire.told import Told

Way = Literal["to listener", "to dialler"]
SPEAKERS: dict[Way, bytes] = {"to listener": DIALLER, "to dialler": LISTENER}


@dataclass(frozen=True)
class Unit:
    """One frame with length and tag, or one body. number: of the parcel that it is about, or -1.

    says: the frame before it was sealed.
    """

    way: Way
    name: str
    number: int
    data: bytes
    says: bytes = b""


@dataclass(frozen=True)
class Passes:
    """What becomes of a unit: sent on, sent back to where it came from; then perhaps the end."""

    on: bytes = b""
    back: bytes = b""
    ends: bool = False


Meddle = Callable[[Unit], Passes]


class Middle:
    """Listens while it is entered, and passes one lane on to port.

    units: all that came by. meddled: how many of them did not go on as they were.
    keys: what he is told frames by, by ticket. failures: what he could not follow.
    """

    def __init__(
        self, port: int, seal: Seal, meddle: Meddle, keys: Mapping[bytes, LaneKeys]
    ) -> None:
        self.port = 0
        self.units: list[Unit] = []
        self.meddled = 0
        self.failures: list[BaseException] = []
        self._told = Told(keys)
        self._to = port
        self._seal = seal
        self._meddle = meddle

    @asynccontextmanager
    async def listening(self) -> AsyncIterator["Middle"]:
        """Listen on a free port."""
        relays: set[asyncio.Task[None]] = set()

        async def relay(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
            task = asyncio.current_task()
            assert task is not None
            relays.add(task)
            await self._relay(reader, writer)

        server = await asyncio.start_server(relay, "127.0.0.1", 0, limit=1 << 26)
        self.port = server.sockets[0].getsockname()[1]
        try:
            yield self
        finally:
            server.close()
            await asyncio.gather(*relays, return_exceptions=True)

    async def _relay(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        there, onward = await asyncio.open_connection("127.0.0.1", self._to, limit=1 << 26)
        pumps = [
            asyncio.create_task(self._pump("to listener", reader, onward, writer)),
            asyncio.create_task(self._pump("to dialler", there, writer, onward)),
        ]
        await asyncio.wait(pumps, return_when=asyncio.FIRST_COMPLETED)
        for end in (onward, writer):
            end.close()
        ended = await asyncio.gather(*pumps, return_exceptions=True)
        self.failures += [error for error in ended if error is not None]

    async def _pump(
        self,
        way: Way,
        reader: asyncio.StreamReader,
        onward: asyncio.StreamWriter,
        backward: asyncio.StreamWriter,
    ) -> None:
        with suppress(asyncio.IncompleteReadError, ConnectionError):
            async for unit in self._units(way, reader):
                self.units.append(unit)
                passes = self._meddle(unit)
                self.meddled += passes != Passes(unit.data)
                onward.write(passes.on)
                backward.write(passes.back)
                await onward.drain()
                if passes.ends:
                    return

    async def _units(self, way: Way, reader: asyncio.StreamReader) -> AsyncIterator[Unit]:
        speaker = SPEAKERS[way]
        while True:
            prefix = await reader.readexactly(4)
            tag_bytes = self._told.tag_bytes(speaker)
            rest = await reader.readexactly(int.from_bytes(prefix, "big") + tag_bytes)
            event = self._told.read(speaker, prefix + rest)
            assert event is not None, "he is told the key of every ticket"
            number = event.number if isinstance(event, ParcelHead | Confirmed) else -1
            yield Unit(way, type(event).__name__, number, prefix + rest, encode(event))
            if isinstance(event, ParcelHead):
                count = body_bytes(self._seal, event.plain_bytes)
                yield Unit(way, "body", number, await reader.readexactly(count))
