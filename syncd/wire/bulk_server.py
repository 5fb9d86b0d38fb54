"""The bulk port: connections come in, prove a ticket's key, and are handed over as lanes.

Owns: how many there may be, how long a stranger may stay, and that all are closed at the end.
Must not: know what a lane does; the handler gets the redeemed ticket and the link.

A connection without a proven ticket costs one descriptor and a few hundred bytes, waits on the
porch, and takes no room from lanes: those have theirs, BULK_LINKS_MAX in all and LANES_MAX a peer.

Whatever ends a lane ends only that lane: a lost link is the dialler's to mend and is logged
quietly, with the peer's name, and now and then if that goes on; anything unforeseen is logged with
its traceback.
"""

import asyncio
import logging
from collections.abc import Callable, Coroutine
from contextlib import suppress
from typing import Any, Self

from syncd.edges.chance import SystemChance
from syncd.edges.clock import RealClock
from syncd.edges.tcp import Doorstep, Listener, TcpLink, listen
from syncd.errors import LinkEndedError, LinkLostError, PeerRefusedError, SyncdError
from syncd.limits import BULK_LINKS_MAX, LANES_MAX
from syncd.ports import Chance, Clock, Lines, Link
from syncd.repeats import Repeats
from syncd.wire.greeting import admit
from syncd.wire.lane_events import NONCE_BYTES
from syncd.wire.porch import Guest, Porch
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
        chance: Chance | None = None,
    ) -> None:
        self.port = port
        self._host = host
        self._lines = lines
        self._tickets = tickets
        self._handler = handler
        self._clock = clock or RealClock()
        self.porch = Porch(self._clock)
        self._chance = chance or SystemChance()
        self._repeats = Repeats(log, self._clock)
        self._greeting: dict[asyncio.Task[tuple[TcpLink, Redeemed] | None], None] = {}
        self._peers: dict[asyncio.Task[None], str] = {}
        self._lanes: dict[asyncio.Task[None], Link] = {}
        self._accepting: asyncio.Task[Any] | None = None
        self._listener: Listener | None = None

    async def __aenter__(self) -> Self:
        """Listen. Raises ConfigError if the address cannot be used."""
        self._listener = listen(self._host, self.port)
        self.port = self._listener.port
        accepting = self.porch.open(
            self._listener.accept,
            self._greet,
            port="bulk",
            repeats=self._repeats,
        )
        self._accepting = asyncio.create_task(accepting, name="bulk-accept")
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
        self.porch.end_all()
        if self._greeting:
            await asyncio.wait(tuple(self._greeting))
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
        """How many lanes are open."""
        return len(self._lanes)

    def _greet(self, came: Doorstep) -> None:
        """Let a connection say who it is, beside the others."""
        task = asyncio.create_task(self._admit(came), name=f"greet-{came.where}")
        self._greeting[task] = None
        guest = Guest(came.host, task.cancel)
        task.add_done_callback(lambda done: self._greeted(came, guest, done))
        self.porch.take_in(guest)

    def _greeted(
        self, came: Doorstep, guest: Guest, done: "asyncio.Task[tuple[TcpLink, Redeemed] | None]"
    ) -> None:
        """Start the lane of a connection that has proved its ticket; cut another one."""
        del self._greeting[done]
        self.porch.leave(guest)
        proved = None if done.cancelled() else done.result()
        if proved is None:
            came.close()
        else:
            self._start(*proved)

    async def _admit(self, came: Doorstep) -> tuple[TcpLink, Redeemed] | None:
        """Return the link of a connection that has proved its ticket; log why if it has not."""
        try:
            nonce = self._chance.random_bytes(NONCE_BYTES)
            redeemed = await admit(came, self._clock, self._tickets, nonce, came.host)
            self._check_room(redeemed.peer.name)
            return came.link(), redeemed
        except LinkEndedError as error:
            log.debug("%s", error)
        except (SyncdError, OSError) as error:
            text = f"A connection on the bulk port was turned away: {came.host}: {error}"
            self._repeats.trouble("turned away", text)
        except Exception:
            log.exception("The greeting of %s failed.", came.where)
        return None

    def _check_room(self, peer: str) -> None:
        """Raise PeerRefusedError if a peer, or all together, have as many lanes as may be."""
        if list(self._peers.values()).count(peer) >= LANES_MAX:
            raise PeerRefusedError(
                f"{peer} has {LANES_MAX} lanes open already.",
                remedy="Set fewer lanes for the destination on that box.",
            )
        if len(self._lanes) >= BULK_LINKS_MAX:
            raise PeerRefusedError(
                f"{BULK_LINKS_MAX} lanes are open.", remedy="Set fewer lanes on the other boxes."
            )

    def _start(self, link: TcpLink, redeemed: Redeemed) -> None:
        running = self._lines.run(f"bulk-{link.where}", self._ride(link, redeemed))
        task = asyncio.create_task(
            self._watch(link, redeemed.peer.name, running), name=f"bulk-{link.where}"
        )
        self._lanes[task] = link
        self._peers[task] = redeemed.peer.name
        task.add_done_callback(self._lanes.pop)
        task.add_done_callback(self._peers.pop)

    async def _watch(self, link: TcpLink, peer: str, running: Coroutine[Any, Any, None]) -> None:
        """Log how a lane ended."""
        try:
            await running
        except LinkEndedError as error:
            log.debug("%s", error)
        except LinkLostError as error:
            self._repeats.trouble(f"lost {peer}", f"A lane of {peer}: {error}", logging.INFO)
        except SyncdError as error:
            self._repeats.trouble(f"failed {peer}", f"A lane of {peer}: {error}")
        except Exception:
            log.exception("The lane of %s at %s failed.", peer, link.where)
        finally:
            link.close()

    async def _ride(self, link: Link, redeemed: Redeemed) -> None:
        """Run one lane; in its own thread."""
        try:
            await self._handler(redeemed, link)
        finally:
            link.close()
