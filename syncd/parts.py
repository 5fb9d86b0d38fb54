"""The inner parts of one node, assembled from its configuration and the four ports.

Owns: which role needs which part, and that all end together. node.py puts the real world around
this; a simulation puts another. Must not: open a socket, a file or the journal; they are passed in.
"""

import asyncio
import logging
from collections.abc import Callable, Sequence
from typing import Protocol

from syncd import __version__
from syncd.company import Company, Reach
from syncd.config.shapes import Config, OrderConfig, Role
from syncd.errors import first_of
from syncd.handoff.aim import Aim
from syncd.handoff.callers import Callers
from syncd.handoff.desk import Desk, Own
from syncd.handoff.fetching import Fetching
from syncd.handoff.handover import Handover
from syncd.handoff.lane_host import LaneHost
from syncd.handoff.presence import NOT_PAIRED, Presence, Trouble
from syncd.handoff.published import Published
from syncd.handoff.unsealed import Unsealed
from syncd.journal.journal import Journal, JournalError
from syncd.journal.rolls import Origin, RollRow
from syncd.landing.landing import Landing
from syncd.limits import LANES_DEFAULT, SELF_CURE_RETRY_S
from syncd.notices.held_log import HeldLog
from syncd.notices.outbox import Relay
from syncd.notices.subscriber import Subscriber
from syncd.ports import Ports
from syncd.roll.stages import Stage
from syncd.schedule.order import OrderRule, Place, place_for
from syncd.stopping import to_its_end
from syncd.storage.adopting import Adopting
from syncd.storage.area import Area
from syncd.storage.keeper import Keeper
from syncd.storage.lookout import Lookout
from syncd.storage.rechecking import Rechecking
from syncd.wire.lane import LaneStats
from syncd.wire.lane_watch import LaneWatch
from syncd.wire.messages import Hello
from syncd.wire.peers import PeerBook, TrustedPeer
from syncd.wire.tickets import Tickets

log = logging.getLogger(__name__)


class Part(Protocol):
    """What runs until cancelled, and may be run again after it failed."""

    async def run(self) -> None: ...


class Parts:
    """Everything of a node that decides something.

    book: who is trusted; whoever changes it calls follow_book() or let_go().
    reach: gives the way to a trusted peer, by its name.
    utc_offset_s: how far local time is ahead of UTC, for needed-by times of day.
    """

    def __init__(
        self,
        config: Config,
        ports: Ports,
        journal: Journal,
        book: PeerBook,
        reach: Callable[[str], Reach],
        *,
        subscribers: Sequence[Subscriber] = (),
        utc_offset_s: Callable[[], int] = lambda: 0,
    ) -> None:
        self.config = config
        self.ports = ports
        self.journal = journal
        self.stats = LaneStats()
        self.tickets = Tickets(ports.chance, ports.clock)
        self._utc_offset_s = utc_offset_s
        self.lanes = LaneWatch(ports.clock)
        self.callers = Callers(ports.clock)
        roles = tuple(sorted(role.value for role in config.node.roles))
        self._own = Own(config.node.name, roles, __version__)
        self.area, self.keeper = self._storage()
        self.rechecking = self._rechecking()
        self.unsealed = Unsealed(config.clears)
        self.desk = Desk(
            own=self._own,
            ports=ports,
            journal=journal,
            tickets=self.tickets,
            area=self.area,
            keeper=self.keeper,
            lanes=self.lanes,
            callers=self.callers,
            is_trusted=lambda name: book.trusted_by_name(name) is not None,
            rechecking=self.rechecking,
            unsealed=self.unsealed,
        )
        self._book = book
        self._company = Company(
            config,
            ports,
            journal,
            book,
            reach=reach,
            hello=self.hello,
            steadily=self._steadily,
            unsealed=self.unsealed,
            look=self.look_at_source,
        )
        self.pulses = self._company.pulses
        self.adopting = self._adopting([subscriber.name for subscriber in subscribers])
        self.presence = Presence(
            pulses=self.pulses,
            callers=self.callers,
            own_storage_wait_s=self._storage_wait_s,
            ports=ports,
            journal=journal,
            own_name=config.node.name,
            is_trusted=lambda name: book.trusted_by_name(name) is not None,
            destination=self._destination_trouble,
            offers=self.desk.door.troubles,
        )
        self.lookout = self._lookout()
        self.published = self._published()
        self.lane_host = self._lane_host()
        self.landings = self._landings()
        self.fetching = self._fetching()
        self._held_log = HeldLog(journal, ports.clock)
        self.relay = Relay(subscribers, journal, ports, path_of=self._path_of)

    @property
    def handover(self) -> Handover | None:
        """The hand-over to the peer that takes the rolls, if there is one now."""
        return self._company.handover

    def follow_book(self) -> None:
        """Take up whom the book trusts now, and has not before; on the event loop."""
        self._company.follow_book()

    def let_go(self, peer: TrustedPeer) -> None:
        """End at once what rides or waits for a peer that the book trusts no longer."""
        self._company.follow_book()
        self.tickets.revoke(peer.fingerprint)
        self.lanes.end_peer(peer.name)
        self.callers.forget(peer.name)
        self.unsealed.forget(peer.name)

    async def run(self) -> None:
        """Run every part until cancelled. If one fails, all end: raises ExceptionGroup."""
        running = (
            self.relay,
            self.adopting,
            self.lookout,
            self.rechecking,
            self.keeper,
            *self.landings,
        )
        async with self._held_log.written(), asyncio.TaskGroup() as group:
            for part in running:
                if part is not None:
                    group.create_task(self._steadily(part), name=type(part).__name__)
            self._company.begin(group)
            if self.fetching is not None:
                group.create_task(self._steadily(self.fetching), name="Fetching")
            group.create_task(self.lane_host.run(), name="dead-lanes")
            group.create_task(self.presence.run(), name="presence")

    async def _steadily(self, part: Part) -> None:
        """Run one part; while the journal cannot be used it rests, and then begins anew."""
        while True:
            try:
                await to_its_end(part.run(), name=f"{type(part).__name__}-work")
            except* JournalError as group:
                log.warning("%s rests: %s", type(part).__name__, first_of(group))
            else:  # a mistake of ours, which must not leave the box without this part
                log.error("%s ended by itself; it is begun anew.", type(part).__name__)
            await self.ports.clock.sleep(SELF_CURE_RETRY_S)
            while not await self.ports.disk.aside(self.journal.is_well):
                await self.ports.clock.sleep(SELF_CURE_RETRY_S)

    def place(self, day: str, name: str, arrived_utc_ms: int) -> Place:
        """Return the place that the configured rules give a roll."""
        rules = [_rule(order) for order in self.config.orders]
        return place_for(
            rules, day, name, arrived_utc_ms=arrived_utc_ms, utc_offset_s=self._utc_offset_s()
        )

    def hello(self) -> Hello:
        """Say who this is."""
        return Hello(
            node=self._own.name,
            roles=self._own.roles,
            version=self._own.version,
            utc_ms=self.ports.clock.utc_ms(),
            storage_wait_s=self.fetching.storage_wait_s() if self.fetching else 0.0,
        )

    def hears(self, peer: str) -> bool:
        """Tell whether a peer lives: it answers this box, or asks it."""
        pulse = self.pulses.get(peer)
        return self.callers.is_heard(peer) or (pulse is not None and pulse.is_heard)

    def _storage_wait_s(self) -> float:
        """Return for how long a lane has waited for a storage of this box; 0: none waits."""
        fetched_s = self.fetching.storage_wait_s() if self.fetching else 0.0
        return max(self.lanes.storage_wait_s(), fetched_s)

    def _destination_trouble(self) -> Trouble | None:
        """Return why nobody takes the rolls, if a person has to do something about it."""
        aimed = self._company.aim()
        if aimed is None or aimed.peer is not None:
            return None
        destination = self.config.destinations[0]
        key = f"destination {destination.name}"
        return Trouble(key, NOT_PAIRED, aimed.problem, aimed.remedy, destination.peer)

    def aim(self) -> Aim | None:
        """Return who takes the rolls of this box; None if it has none to hand over."""
        return self._company.aim()

    def taker(self) -> str:
        """Return the name of the peer that takes the rolls; "" if that is not certain."""
        aimed = self._company.aim()
        return aimed.peer.name if aimed is not None and aimed.peer is not None else ""

    def _storage(self) -> tuple[Area | None, Keeper | None]:
        storage = self.config.storage
        if storage is None or Role.PROCESSING not in self.config.node.roles:
            return None, None
        area = Area(
            self.ports.disk,
            str(storage.path),
            box=self._own.name,
            clock=self.ports.clock,
            keep_free_bytes=storage.keep_free_bytes,
        )
        return area, Keeper(
            area,
            self.journal,
            self.ports,
            origin=Origin.PEER,
            final_stages=(Stage.LANDED, Stage.READY),
            host_name=self._own.name,
        )

    def _adopting(self, subscribers: Sequence[str]) -> Adopting | None:
        if self.area is None or self.keeper is None:
            return None
        unclaimed = self.keeper.unclaimed
        adopting = Adopting(
            self.area,
            self.journal,
            self.ports,
            own_name=self._own.name,
            subscribers=subscribers,
            unclaimed=unclaimed,
        )
        if self.rechecking is not None:
            adopting.left_records.taken_up = self.rechecking.look_soon
        return adopting

    def _rechecking(self) -> Rechecking | None:
        if self.area is None:
            return None
        return Rechecking(self.area, self.journal, self.ports, own_name=self._own.name)

    def _published(self) -> Published | None:
        if self.area is None or self.rechecking is None:
            return None
        why = self.rechecking.why_not_there
        published = Published(self.ports, self.journal, self.area, why)
        self.rechecking.renewed = published.renew
        return published

    def _lookout(self) -> Lookout | None:
        if self.area is None:
            return None
        return Lookout(self.area, self.journal, self.ports, own_name=self._own.name)

    def _lane_host(self) -> LaneHost:
        return LaneHost(
            ports=self.ports,
            journal=self.journal,
            book=self._book,
            lanes=self.lanes,
            callers=self.callers,
            desk=self.desk,
            keeper=self.keeper,
            published=self.published,
            stats=self.stats,
        )

    def _landings(self) -> tuple[Landing, ...]:
        if Role.OFFLOAD not in self.config.node.roles:
            return ()
        return tuple(
            Landing(
                root=str(landing.path),
                pattern=landing.rolls,
                trust=landing.trust,
                settle_s=landing.settle_s,
                clock=self.ports.clock,
                disk=self.ports.disk,
                journal=self.journal,
                place_for=self._rank_and_time,
                route=self.config.destinations[0].route if self.config.destinations else "",
            )
            for landing in self.config.landings
        )

    def look_at_source(self, path: str) -> None:
        """Have the landing that a source folder lies in look at it at once."""
        for landing in self.landings:
            inner = path.removeprefix(landing.root.rstrip("/") + "/")
            if inner != path:
                landing.touched(inner)

    def _rank_and_time(self, day: str, name: str, arrived_utc_ms: int) -> tuple[int, int | None]:
        place = self.place(day, name, arrived_utc_ms)
        return place.rank, place.needed_by_utc_ms

    def _path_of(self, row: RollRow) -> str:
        """Return the absolute path that a subscriber is given for a roll."""
        root = row.route if row.origin is Origin.FETCH else ""
        if row.origin is Origin.PEER and self.area is not None:
            root = self.area.path
        if row.published_path is not None and root:
            return f"{root}/{row.published_path}"
        return row.source_path or ""

    def _fetching(self) -> Fetching | None:
        if Role.EDITORIAL not in self.config.node.roles:
            return None
        return Fetching(
            peers=self._company.sources,
            ports=self.ports,
            journal=self.journal,
            keeper_for=self._fetch_keeper,
            lane_count=LANES_DEFAULT,
            unsealed=self.unsealed,
        )

    def _fetch_keeper(self, target: str) -> Keeper:
        """Make the keeper of one folder that a person named: no marker, nothing kept free."""
        area = Area(
            self.ports.disk,
            target,
            box=self._own.name,
            clock=self.ports.clock,
            keep_free_bytes=0,
            marker_required=False,
        )
        return Keeper(
            area,
            self.journal,
            self.ports,
            origin=Origin.FETCH,
            final_stages=(Stage.LANDED, Stage.FETCHED),
            host_name=self._own.name,
        )


def _rule(order: OrderConfig) -> OrderRule:
    needed_by = None if order.needed_by is None else order.needed_by.strftime("%H:%M")
    if order.rank is None:
        return OrderRule(match=order.match, day=order.day, needed_by=needed_by)
    return OrderRule(match=order.match, day=order.day, rank=order.rank, needed_by=needed_by)
