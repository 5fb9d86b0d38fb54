"""The peers that a running node works with: made when they are paired, ended when forgotten.

Owns: each dialled peer's pulse, the hand-over to the one that takes the rolls, whom to fetch from,
and the tasks of all these. Must not: decide who is trusted; the book says so, and follow_book()
brings everything in line with it, at the start and after each change.
"""

import asyncio
from collections.abc import Callable, Coroutine
from dataclasses import dataclass
from typing import Any

from syncd.config.shapes import Config, Role
from syncd.handoff.aim import PROCESSING, Aim, aim
from syncd.handoff.fetching import Source
from syncd.handoff.handover import Handover
from syncd.handoff.unsealed import Unsealed
from syncd.journal.journal import Journal
from syncd.ports import PeerCalls, Ports
from syncd.wire.messages import Hello
from syncd.wire.peers import PeerBook, TrustedPeer
from syncd.wire.pulse import Pulse


@dataclass(frozen=True, slots=True)
class Reach:
    """How one peer is reached: its control calls, and the host that its lanes are dialled at."""

    calls: PeerCalls
    host: Callable[[], str]


class Company:
    """Lives as long as the node; its tasks run between begin() and end of the group given there.

    reach: gives the way to a trusted peer, by its name.
    steadily: runs the hand-over whatever becomes of the journal.
    pulses, sources: by the peer's name; they change in place.
    """

    def __init__(
        self,
        config: Config,
        ports: Ports,
        journal: Journal,
        book: PeerBook,
        *,
        reach: Callable[[str], Reach],
        hello: Callable[[], Hello],
        steadily: Callable[[Handover], Coroutine[Any, Any, None]],
        unsealed: Unsealed,
        look: Callable[[str], None],
    ) -> None:
        self.pulses: dict[str, Pulse] = {}
        self.sources: dict[str, Source] = {}
        self.handover: Handover | None = None
        self._config = config
        self._ports = ports
        self._journal = journal
        self._book = book
        self._reach = reach
        self._hello = hello
        self._steadily = steadily
        self._unsealed = unsealed
        self._look = look
        self._met: dict[str, TrustedPeer] = {}
        self._group: asyncio.TaskGroup | None = None
        self._pulsing: dict[str, asyncio.Task[None]] = {}
        self._handing: asyncio.Task[None] | None = None
        self.follow_book()

    def aim(self) -> Aim | None:
        """Return who takes the rolls of this box; None if it has none to hand over."""
        if Role.OFFLOAD not in self._config.node.roles or not self._config.destinations:
            return None
        return aim(self._config.destinations[0].peer, self._book.all_trusted())

    def follow_book(self) -> None:
        """Meet whom the book trusts now, and part with whom it does not; on the event loop."""
        aimed = self.aim()
        taker = aimed.peer if aimed is not None else None
        wanted = {taker.name: taker} if taker is not None else {}
        if Role.EDITORIAL in self._config.node.roles:
            givers = [peer for peer in self._book.all_trusted() if PROCESSING in peer.roles]
            wanted |= {peer.name: peer for peer in givers}
        for name, peer in tuple(self._met.items()):
            if wanted.get(name) != peer:
                self._part_with(name)
        if self.handover is not None and taker is None:
            self._end_handover()
        for name, peer in wanted.items():
            if name not in self._met:
                self._meet(peer, takes=peer is taker)
        if taker is not None and self.handover is None:
            self._begin_handover(taker.name)

    def begin(self, group: asyncio.TaskGroup) -> None:
        """Run in group what there is, and what there will be."""
        self._group = group
        self._run_handover()
        for name in self.pulses:
            self._run_pulse(name)

    def _meet(self, peer: TrustedPeer, *, takes: bool) -> None:
        self._met[peer.name] = peer
        reach = self._reach(peer.name)
        pulse = Pulse(peer.name, reach.calls, self._hello, self._ports, wants_storage=takes)
        self.pulses[peer.name] = pulse
        if Role.EDITORIAL in self._config.node.roles:
            self.sources[peer.name] = Source(pulse, reach.host)
        self._run_pulse(peer.name)

    def _part_with(self, name: str) -> None:
        del self._met[name]
        self.sources.pop(name, None)
        pulse = self.pulses.pop(name)
        if self.handover is not None and self.handover.peer == name:
            self._end_handover()
        pulse.end()  # a fetch under way ends by this
        task = self._pulsing.pop(name, None)
        if task is not None:
            task.cancel()

    def _begin_handover(self, name: str) -> None:
        self.handover = Handover(
            pulse=self.pulses[name],
            host=self._reach(name).host,
            ports=self._ports,
            journal=self._journal,
            lane_count=self._config.destinations[0].lanes,
            unsealed=self._unsealed,
            look=self._look,
        )
        self._run_handover()

    def _end_handover(self) -> None:
        assert self.handover is not None, "somebody took the rolls until now"
        self.handover.close()
        self.handover = None
        if self._handing is not None:
            self._handing.cancel()
            self._handing = None

    def _run_pulse(self, name: str) -> None:
        if self._group is not None:
            work = self.pulses[name].run()
            self._pulsing[name] = self._group.create_task(work, name=f"pulse-{name}")

    def _run_handover(self) -> None:
        if self._group is not None and self.handover is not None:
            work = self._steadily(self.handover)
            self._handing = self._group.create_task(work, name="Handover")
