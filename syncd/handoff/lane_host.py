"""The lanes that peers open on this box: what each of them may do, and when it ends.

Owns: that a lane begins only for a peer that is still trusted, in the role that it has now; what of
its end is the peer's fault; and that the lanes of a peer that fell silent end. Must not: listen for
connections or redeem tickets (wire/), or know what becomes of parcels.
"""

from collections.abc import Callable
from dataclasses import replace
from functools import partial

from syncd.errors import LinkLostError, UnfitError
from syncd.handoff.callers import Callers
from syncd.handoff.desk import Desk
from syncd.handoff.garbled import GarbledLanes
from syncd.handoff.published import Published
from syncd.journal.journal import Journal
from syncd.limits import TICK_S
from syncd.ports import Link, Ports
from syncd.storage.intake import PeerIntake
from syncd.storage.keeper import Keeper
from syncd.storage.troubles import NoSuchParcelError
from syncd.wire.frames import PeerProtocolError, UnfitFrameError
from syncd.wire.lane import LaneStats, serve_lane, take_lane
from syncd.wire.lane_watch import LaneState, LaneWatch
from syncd.wire.peers import PeerBook
from syncd.wire.pulse import PAIR_REMEDY
from syncd.wire.tickets import Redeemed


class LaneHost:
    """Has lanes do what their tickets are for, until they or their peers end.

    keeper, published: where a storage is, what takes parcels and what gives them.
    end_calls: set by whoever has control connections: ends those of a peer that fell silent.
    """

    def __init__(
        self,
        *,
        ports: Ports,
        journal: Journal,
        book: PeerBook,
        lanes: LaneWatch,
        callers: Callers,
        desk: Desk,
        keeper: Keeper | None,
        published: Published | None,
        stats: LaneStats,
    ) -> None:
        self.end_calls: Callable[[str], None] = lambda _: None
        self._ports = ports
        self._journal = journal
        self._book = book
        self._lanes = lanes
        self._callers = callers
        self._desk = desk
        self._keeper = keeper
        self._published = published
        self._stats = stats
        self._garbled = GarbledLanes()

    async def run(self) -> None:
        """End the lanes of peers that have fallen silent; the system would take minutes."""
        clock = self._ports.clock
        while True:
            began_s = clock.monotonic_s()
            await clock.sleep(TICK_S)
            if clock.monotonic_s() - began_s > 2 * TICK_S:
                continue  # it is we who stood still: first hear what came meanwhile
            for peer in self._callers.names():
                if not self._callers.is_heard(peer):
                    self._lanes.end_peer(peer)
                    self.end_calls(peer)
            self._lanes.end_untaken()

    async def accept(self, redeemed: Redeemed, link: Link) -> None:
        """Let a lane do what its ticket is for; runs in the lane's own thread.

        Raises LinkLostError, which says so if it was cut because its peer was forgotten.
        """
        try:
            await self._ride(redeemed, link)
        except LinkLostError as error:
            if self._book.trusted_by_fingerprint(redeemed.peer.fingerprint) is not None:
                raise
            raise LinkLostError(
                f"The lane was cut: {redeemed.peer.name} is not paired with this box any more.",
                remedy=PAIR_REMEDY,
            ) from error

    async def _ride(self, redeemed: Redeemed, link: Link) -> None:
        peer, purpose = redeemed.peer.name, redeemed.purpose
        self._lanes.end_older(peer, purpose, redeemed.session)
        with self._lanes.riding(
            link,
            peer=peer,
            purpose=purpose,
            session=redeemed.session,
            excused=lambda: self._callers.waits_for_storage(peer),
        ) as state:
            trusted = self._book.trusted_by_fingerprint(redeemed.peer.fingerprint)
            if trusted is None:
                return  # forgotten since it got its ticket
            if not self._desk.may_ride(replace(redeemed.peer, roles=trusted.roles), purpose):
                return
            unfit = partial(self._desk.refusals.note, peer, "parcel")
            try:
                await self._serve(redeemed, link, state, unfit)
            except (UnfitFrameError, NoSuchParcelError) as error:
                unfit(UnfitError(error.problem, remedy=error.remedy))
                raise
            except PeerProtocolError:
                garbled = self._garbled.note(peer, self._ports.clock.monotonic_s())
                if garbled is not None:
                    self._desk.refusals.note(peer, "lane", garbled)
                raise

    async def _serve(
        self,
        redeemed: Redeemed,
        link: Link,
        state: LaneState,
        unfit: Callable[[UnfitError], None],
    ) -> None:
        """Take or give parcels until the lane ends; unfit is told of what is the peer's fault."""
        peer, keys, clock, stats = redeemed.peer.name, redeemed.keys, self._ports.clock, self._stats
        if redeemed.purpose == "send" and self._keeper is not None:
            intake = PeerIntake(self._keeper.receiving, self._journal, peer, unfit)
            await take_lane(link, clock, intake, keys, stats=stats, state=state, unfit=unfit)
        elif redeemed.purpose == "speed" and self._desk.speed is not None:
            drain = self._desk.speed.drain_for(redeemed.peer)
            if drain is not None:
                await take_lane(link, clock, drain, keys, state=state, unfit=unfit)
        elif redeemed.purpose == "fetch" and self._published is not None:
            await serve_lane(link, clock, self._published, keys, stats=stats, state=state)
