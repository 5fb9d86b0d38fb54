"""The bulk port: connections come in, show a ticket, and are handed over as lanes.

Owns: how many there may be, how long a stranger may stay, and that all are closed at the end.
Must not: know what a lane does; the handler gets the redeemed ticket and the link.

Whatever ends a lane ends only that lane: a lost link is the dialler's to mend and is logged
quietly, anything unforeseen is logged with its traceback.
"""

import asyncio
import logging
import threading
from collections.abc import Callable, Coroutine
from contextlib import suppress
from typing import Any, Self

from syncd.edges.clock import RealClock
from syncd.edges.tcp import Listener, TcpLink, listen
from syncd.errors import LinkEndedError, LinkLostError, PeerRefusedError, SyncdError
from syncd.limits import BULK_LINKS_MAX, LANES_MAX, RETRY_CAP_S
from syncd.ports import Clock, Lines, Link
from syncd.repeats import Repeats
from syncd.wire.frames import read_hello
from syncd.wire.tickets import Redeemed, Tickets

log = logging.getLogger(__name__)

CLOSE_S = 3.0  # a stop of the daemon has 5 s in all

Handler = Callable[[Redeemed, Link], Coroutine[Any, Any, None]]


class BulkServer:
    """Listens while it is entered. Leaving closes every link and waits for their lanes.

    handler: runs in the lane's own thread, and may block.
    port: where it listens, also if any free one was asked for.
    """

    def __init__(
        self,
        host: str,
        port: int,
        *,
        lines: Lines,
        tickets: Tickets,
        handler: Handler,
        clock: Clock | None = None,
    ) -> None:
        self.port = port
        self._host = host
        self._lines = lines
        self._tickets = tickets
        self._handler = handler
        self._clock = clock or RealClock()
        self._repeats = Repeats(log, self._clock)
        self._lock = threading.Lock()
        self._peers: dict[Link, str] = {}
        self._lanes: dict[asyncio.Task[None], Link] = {}
        self._accepting: asyncio.Task[None] | None = None
        self._listener: Listener | None = None

    async def __aenter__(self) -> Self:
        """Listen. Raises ConfigError if the address cannot be used."""
        self._listener = listen(self._host, self.port)
        self.port = self._listener.port
        self._accepting = asyncio.create_task(self._accept(self._listener), name="bulk-accept")
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()

    async def close(self) -> None:
        """Accept no more, close every link, and wait until every lane has ended.

        A lane whose storage hangs in the kernel is left behind after CLOSE_S.
        """
        if self._accepting is not None:
            self._accepting.cancel()
            with suppress(asyncio.CancelledError):
                await self._accepting
            self._accepting = None
        if self._listener is not None:
            self._listener.close()
        for link in tuple(self._lanes.values()):
            link.close()
        if not self._lanes:
            return
        _, hanging = await asyncio.wait(tuple(self._lanes), timeout=CLOSE_S)
        for task in hanging:
            log.warning("%s did not end in time: its storage does not answer.", task.get_name())
            task.cancel()
        if hanging:
            await asyncio.wait(hanging)

    @property
    def lane_count(self) -> int:
        """How many connections are open, those included that have shown no ticket yet."""
        return len(self._lanes)

    async def _accept(self, listener: Listener) -> None:
        while True:
            try:
                link = await listener.accept()
            except OSError as error:  # no descriptors left, or the connection is gone already
                self._repeats.trouble(
                    "accept", f"The bulk port cannot accept connections: {error}."
                )
                await self._clock.sleep(RETRY_CAP_S)
                continue
            self._repeats.well("accept", "The bulk port accepts connections again")
            if len(self._lanes) >= BULK_LINKS_MAX:
                text = f"A connection was turned away: {BULK_LINKS_MAX} lanes are open."
                self._repeats.trouble("full", text)
                link.close()
                continue
            self._start(link)

    def _start(self, link: TcpLink) -> None:
        running = self._lines.run(f"bulk-{link.where}", self._ride(link))
        task = asyncio.create_task(self._watch(link, running), name=f"bulk-{link.where}")
        self._lanes[task] = link
        task.add_done_callback(self._lanes.pop)

    async def _watch(self, link: TcpLink, running: Coroutine[Any, Any, None]) -> None:
        """Log how a lane ended."""
        try:
            await running
        except LinkEndedError as error:
            log.debug("%s", error)
        except LinkLostError as error:
            log.info("%s: %s", link.where, error)
        except SyncdError as error:
            log.warning("%s: %s", link.where, error)
        except Exception:
            log.exception("The lane of %s failed.", link.where)
        finally:
            link.close()

    async def _ride(self, link: Link) -> None:
        """Run one connection; in its own thread."""
        try:
            hello = await read_hello(link, self._clock)
            redeemed = self._tickets.redeem(hello.ticket)
            self._count_in(link, redeemed.peer.name)
            await self._handler(redeemed, link)
        finally:
            with self._lock:
                self._peers.pop(link, None)
            link.close()

    def _count_in(self, link: Link, peer: str) -> None:
        with self._lock:
            if list(self._peers.values()).count(peer) >= LANES_MAX:
                raise PeerRefusedError(
                    f"{peer} has {LANES_MAX} lanes open already.",
                    remedy="Set fewer lanes for the destination on that box.",
                )
            self._peers[link] = peer
