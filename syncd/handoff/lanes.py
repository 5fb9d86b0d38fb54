"""Keeps a number of lanes open to one peer, each in a thread of its own.

Owns: tickets asked for, connections dialled, lanes re-opened after a break, all closed at the end.
Must not: know what a lane carries; whoever asks for lanes passes in what rides on them.
"""

import asyncio
from collections.abc import Callable, Coroutine
from contextlib import suppress
from typing import Any, Literal

from syncd.errors import LinkLostError
from syncd.handoff.unsealed import Unsealed
from syncd.limits import TICK_S
from syncd.ports import Link, PeerCalls, Ports
from syncd.wire.keys import Seal
from syncd.wire.lane_watch import LaneState, LaneWatch
from syncd.wire.messages import LaneTicket, OpenLane

Ride = Callable[[int, Link, LaneTicket, LaneState], Coroutine[Any, Any, None]]


class LaneKeeper:
    """Lanes numbered from 0, kept open until run() is cancelled.

    ride: what happens on an open link, ticket not yet shown; runs in the lane's own thread.
    lost: called with the lane's number after each end of a lane, before it is opened again.
    excused: tells that the peer has said that its storage does not write, so that lanes wait.
    unsealed: knows whether parcels with peer may travel unencrypted; None: they may not.
    """

    def __init__(
        self,
        *,
        calls: PeerCalls,
        ports: Ports,
        host: Callable[[], str],
        purpose: Literal["send", "fetch", "speed"],
        count: int,
        ride: Ride,
        lost: Callable[[int], None],
        excused: Callable[[], bool],
        peer: str = "",
        unsealed: Unsealed | None = None,
    ) -> None:
        self.watch = LaneWatch(ports.clock)
        self._calls = calls
        self._ports = ports
        self._host = host
        self._purpose = purpose
        self._count = count
        self._ride = ride
        self._lost = lost
        self._excused = excused
        self._peer = peer
        self._unsealed = unsealed or Unsealed(())
        self._links: dict[int, Link] = {}

    def wake(self) -> None:
        """Make idle lanes look for work; safe from any thread."""
        for link in tuple(self._links.values()):
            link.wake()

    async def run(self) -> None:
        """Keep the lanes open. Raises PeerUnreachableError, in a group, when the peer is gone."""
        session = int.from_bytes(self._ports.chance.random_bytes(6))
        async with asyncio.TaskGroup() as group:
            for lane in range(self._count):
                group.create_task(self._keep(lane, session), name=f"{self._purpose}-lane-{lane}")
            group.create_task(self._end_untaken(), name=f"{self._purpose}-lane-watch")

    async def _keep(self, lane: int, session: int) -> None:
        while True:
            ticket, host = await self._ask(session)
            link = await self._ports.lines.dial(host, ticket.port)
            try:
                await self._run_lane(lane, link, ticket)
            finally:
                self._lost(lane)

    async def _ask(self, session: int) -> tuple[LaneTicket, str]:
        """Ask for a ticket; return it and the host to dial. Raises what asking raises."""
        ours = self._unsealed.asks(self._peer, self._host())
        seal = Seal.CLEAR if ours else Seal.SEALED
        question = OpenLane(purpose=self._purpose, session=session, seal=seal)
        ticket, host = await self._calls.ask(question), self._host()
        theirs = ticket.seal is Seal.CLEAR
        self._unsealed.note(self._peer, host, ours=ours, theirs=theirs)
        if theirs and not (ours and self._unsealed.asks(self._peer, host)):
            raise LinkLostError(
                f"{self._peer} would have a lane unencrypted that leaves the agreed cable.",
                remedy="It is opened again, sealed.",
            )
        return ticket, host

    async def _run_lane(self, lane: int, link: Link, ticket: LaneTicket) -> None:
        """Run one lane to its end; when cancelled, close its link and wait for its thread."""
        name = f"{self._purpose}-lane-{lane}"
        riding = self._ports.lines.run(name, self._watched_ride(lane, link, ticket))
        running = asyncio.ensure_future(riding)
        self._links[lane] = link
        try:
            await asyncio.shield(running)
        except asyncio.CancelledError:
            link.close()
            with suppress(LinkLostError):
                await running
            raise
        finally:
            del self._links[lane]
            link.close()

    async def _watched_ride(self, lane: int, link: Link, ticket: LaneTicket) -> None:
        with self.watch.riding(link, excused=self._excused) as state:
            await self._ride(lane, link, ticket, state)

    async def _end_untaken(self) -> None:
        while True:
            await self._ports.clock.sleep(TICK_S)
            self.watch.end_untaken()
