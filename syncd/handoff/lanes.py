"""Keeps a number of lanes open to one peer, each in a thread of its own.

Owns: tickets asked for, connections dialled, lanes re-opened after a break, all closed at the end.
Must not: know what a lane carries; whoever asks for lanes passes in what rides on them.
"""

import asyncio
from collections.abc import Callable, Coroutine
from contextlib import suppress
from typing import Any, Literal

from syncd.errors import LinkLostError
from syncd.ports import Lines, Link, PeerCalls
from syncd.wire.messages import LaneTicket, OpenLane

Ride = Callable[[int, Link, LaneTicket], Coroutine[Any, Any, None]]


class LaneKeeper:
    """Lanes numbered from 0, kept open until run() is cancelled.

    ride: what happens on an open link, ticket not yet shown; runs in the lane's own thread.
    lost: called with the lane's number after each end of a lane, before it is opened again.
    """

    def __init__(
        self,
        *,
        calls: PeerCalls,
        lines: Lines,
        host: Callable[[], str],
        purpose: Literal["send", "fetch"],
        count: int,
        ride: Ride,
        lost: Callable[[int], None],
    ) -> None:
        self._calls = calls
        self._lines = lines
        self._host = host
        self._purpose = purpose
        self._count = count
        self._ride = ride
        self._lost = lost
        self._links: dict[int, Link] = {}
        self._closing = False

    def wake(self) -> None:
        """Make idle lanes look for work; safe from any thread."""
        for link in tuple(self._links.values()):
            link.wake()

    async def run(self) -> None:
        """Keep the lanes open. Raises PeerUnreachableError, in a group, when the peer is gone."""
        self._closing = False
        async with asyncio.TaskGroup() as group:
            for lane in range(self._count):
                group.create_task(self._keep(lane), name=f"{self._purpose}-lane-{lane}")

    async def _keep(self, lane: int) -> None:
        while True:
            ticket = await self._calls.ask(OpenLane(purpose=self._purpose))
            try:
                await self._run_lane(lane, ticket)
            finally:
                self._lost(lane)

    async def _run_lane(self, lane: int, ticket: LaneTicket) -> None:
        """Run one lane to its end; when cancelled, close its link and wait for its thread."""
        name = f"{self._purpose}-lane-{lane}"
        running = asyncio.ensure_future(self._lines.run(name, self._dial_and_ride(lane, ticket)))
        try:
            await asyncio.shield(running)
        except asyncio.CancelledError:
            self._closing = True
            link = self._links.get(lane)
            if link is not None:
                link.close()
            with suppress(LinkLostError):
                await running
            raise

    async def _dial_and_ride(self, lane: int, ticket: LaneTicket) -> None:
        link = await self._lines.dial(self._host(), ticket.port)
        self._links[lane] = link
        try:
            if not self._closing:
                await self._ride(lane, link, ticket)
        finally:
            self._links.pop(lane, None)
            link.close()
