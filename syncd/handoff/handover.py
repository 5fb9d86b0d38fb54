"""The hand-off as the offload box sees it: one destination, one peer, any number of rolls.

Owns: when a roll is offered, what the answer means, what becomes of it afterwards.
Must not: open a socket or a file, read a clock; lanes, control calls and disk are passed in.

A session lasts as long as the peer can be heard. After any break the next session offers every
unfinished roll again; the peer answers with the parcels that it still lacks, so nothing needs to be
remembered here about what was confirmed.
"""

import asyncio
import logging
from collections.abc import Callable

from syncd.bell import Bell
from syncd.errors import HeldError, PeerRefusedError, PeerUnreachableError, first_of
from syncd.handoff.changes import Changes
from syncd.handoff.efforts import CountedFeed, Efforts
from syncd.handoff.lanes import LaneKeeper
from syncd.handoff.outgoing import Outgoing, lacking_of, offer
from syncd.handoff.outgoing_book import CURED_BY_AN_ANSWER, OutgoingBook
from syncd.handoff.owners import WITHHELD
from syncd.handoff.patience import Patience
from syncd.handoff.progress import Progress
from syncd.handoff.resends import Resends
from syncd.handoff.sources import Sources
from syncd.handoff.telling import Telling
from syncd.handoff.tidings import TidingsReader
from syncd.handoff.unreadable import Unreadable
from syncd.handoff.unsealed import Unsealed
from syncd.handoff.untouched import TouchedError, Watches
from syncd.journal.journal import Journal, JournalError
from syncd.journal.rolls import RollRow
from syncd.limits import (
    DEAD_AFTER_S,
    RETRY_BASE_S,
    RETRY_CAP_S,
    SELF_CURE_RETRY_S,
    TOLD_BURST,
    TOLD_PER_HOUR,
)
from syncd.ports import Link, Ports
from syncd.repeats import Repeats
from syncd.roll.stages import HeldCode
from syncd.schedule.feed import Feed
from syncd.schedule.order import Place
from syncd.stopping import to_its_end
from syncd.storage.reading import RollReader
from syncd.wire.lane import LaneState, LaneStats, send_lane
from syncd.wire.messages import LaneTicket, OfferAnswer, OfferKind
from syncd.wire.pulse import Pulse

log = logging.getLogger(__name__)


class Handover:
    """Hands rolls to one peer until cancelled.

    A session begins when the pulse says that the peer is heard, and ends with it. One that ends
    although the peer lives is begun again with full jitter, at most RETRY_CAP_S later.
    look: has the landing look at a roll's source at once.
    """

    def __init__(
        self,
        *,
        pulse: Pulse,
        host: Callable[[], str],
        ports: Ports,
        journal: Journal,
        lane_count: int,
        unsealed: Unsealed | None = None,
        look: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.peer = pulse.peer
        self.problem = "not connected yet"
        self.stats = LaneStats()
        self._pulse = pulse
        self._calls = pulse
        self._ports = ports
        self._journal = journal
        self._bell = Bell()
        self._feed_bell = Bell()
        self.feed = Feed(self._feed_bell.ring)
        self._efforts = Efforts(pulse.peer)
        self._counted = CountedFeed(self.feed, self._efforts)
        self._sources = Sources(ports.disk)
        self._watches = Watches(ports.chance)
        told = Changes(ports.clock, TOLD_BURST, TOLD_PER_HOUR)
        self._book = OutgoingBook(
            pulse.peer, journal, ports, self._sources, self._watches, told=told
        )
        self._patience = Patience(ports.clock)
        self._unreadable = Unreadable(ports.clock, self._sources)
        self._look = look
        self._offered: set[str] = set()
        self._retry_at_s: dict[str, float] = {}
        self._waits_for_go: set[str] = set()
        self._telling = Telling(pulse.peer, pulse, self._book, ports)
        self._lanes = LaneKeeper(
            calls=pulse,
            ports=ports,
            host=host,
            purpose="send",
            count=lane_count,
            ride=self._ride,
            lost=self.feed.lane_lost,
            excused=lambda: pulse.storage_wait_s() > 0,
            peer=pulse.peer,
            unsealed=unsealed,
        )
        self._repeats = Repeats(log, ports.clock)
        self._began_s = 0.0
        self._progress = Progress(self.feed, journal, ports)
        self._tidings = TidingsReader(
            pulse.peer,
            pulse,
            journal,
            ports,
            self._resend,
            told=told,
            is_spent=self._efforts.is_spent,
        )
        self._resends = Resends(self._sources, self._efforts, ports.disk)
        self.close = journal.subscribe(self._bell.ring)

    async def run(self) -> None:
        """Hand over until cancelled; a peer that is gone or refuses is tried again."""
        attempt = 0
        while True:
            try:
                # In a task of its own: a group that failed leaves the task that waited for it
                # marked as cancelled; before Python 3.11.3 its next limit of time ends it for good.
                await to_its_end(self._session(), name="session")
            except* PeerRefusedError as group:
                await self._refused(group)
                attempt += 1
            except* PeerUnreachableError as group:
                self._pulse.doubt()
                attempt = 1 if not self.problem else attempt + 1
                self._note_problem(first_of(group))
            except* JournalError as group:
                attempt += 1
                self._note_problem(first_of(group))
            delay_s = self._ports.chance.uniform(
                RETRY_BASE_S, min(RETRY_CAP_S, RETRY_BASE_S * 2 ** min(attempt, 10))
            )
            await self._ports.clock.sleep(delay_s)

    async def _session(self) -> None:
        await self._pulse.wait_heard()
        self._note_problem(None)
        self._began_s = self._ports.clock.monotonic_s()
        self._telling.begin()
        self._offered.clear()
        self._retry_at_s.clear()
        self.feed.await_offers()
        async with asyncio.TaskGroup() as group:
            broken = self._pulse.until_broken(self._lanes.watch.moved_s)
            group.create_task(broken, name="pulse")
            group.create_task(self._lanes.run(), name="lanes")
            group.create_task(self._offer_rolls(), name="offers")
            group.create_task(self._follow_feed(), name="feed")
            group.create_task(self._tidings.run(), name="tidings")

    # Offers

    async def _offer_rolls(self) -> None:
        """Offer what is verified and not yet offered in this session; follow changes of order."""
        while True:
            rows, all_paused = await self._ports.disk.aside(self._book.unfinished)
            self._reorder(rows, all_paused)
            for row in rows:
                if self._book.is_opened_too_early(row):
                    self._drop(row.roll_id)
                    self._retry_at_s.pop(row.roll_id, None)
                if not self._is_due(row):
                    await self._telling.held(row)
                elif row.roll_id not in self._offered:
                    await self._offer_one(row)
            await self._telling.all_due()
            await self._bell.wait(SELF_CURE_RETRY_S)

    def _reorder(self, rows: list[RollRow], all_paused: bool) -> None:
        active = {row.roll_id for row in rows}
        self._watches.keep(active)
        self._unreadable.keep(active)
        self._efforts.keep(active)
        self._resends.keep(active)
        for roll_id in self._offered - active:
            self._drop(roll_id)
        for row in rows:
            if row.roll_id in self._offered:
                self.feed.reorder(row.roll_id, place_of(row))
                (self.feed.pause if row.paused else self.feed.go)(row.roll_id)
        (self.feed.pause if all_paused else self.feed.go)(None)
        self._lanes.wake()

    def _is_due(self, row: RollRow) -> bool:
        """Offer a held roll again only if an answer may cure it, and not in a tight loop."""
        if row.held is not None and row.held.code not in CURED_BY_AN_ANSWER:
            self._waits_for_go.add(row.roll_id)
            if row.roll_id in self._offered:
                self._drop(row.roll_id)
            return False
        if _is_held_for_its_source(row) and row.roll_id in self._offered:
            # Said while it was being offered: only another offer lets it go on, on both boxes.
            self._drop(row.roll_id)
            self._retry_at_s[row.roll_id] = self._ports.clock.monotonic_s() + SELF_CURE_RETRY_S
        is_rested = self._ports.clock.monotonic_s() >= self._retry_at_s.get(row.roll_id, 0.0)
        return self._unreadable.is_due(row) and is_rested

    async def _offer_one(self, row: RollRow) -> None:
        self._retry_at_s[row.roll_id] = self._ports.clock.monotonic_s() + SELF_CURE_RETRY_S
        try:
            released = row.held is None and row.roll_id in self._waits_for_go
            if released:
                self._patience.released(row.roll_id)
            outgoing = await self._ports.disk.aside(self._book.open, row, released)
            if not await self._is_worth_it(outgoing):
                return
            await self._ports.disk.aside(self._unreadable.check, row)
            await self._resends.settle(outgoing)
            answer = await offer(self._calls, outgoing, row)
            if answer.kind is OfferKind.DIGESTS:
                sizes_bytes = [entry.size_bytes for entry in outgoing.inventory.files]
                self._efforts.read(row.roll_id, sizes_bytes)
                outgoing = await self._ports.disk.aside(self._sources.with_digests, outgoing)
                answer = await offer(self._calls, outgoing, row, with_pages=True)
            await self._act_on(answer, outgoing, row)
        except TouchedError:
            self._offer_again(row.roll_id)
        except HeldError as error:
            await self._hold_as_it_is(row.roll_id, error)
        except PeerRefusedError as error:
            await self._hold(row.roll_id, held_for(error))

    async def _act_on(self, answer: OfferAnswer, outgoing: Outgoing, row: RollRow) -> None:
        self._waits_for_go.discard(row.roll_id)
        match answer.kind:
            case OfferKind.TAKE:
                lacking = lacking_of(self.peer, answer, outgoing)
                reader = self._sources.reader_if_open(row.roll_id)
                if reader is not None:
                    await self._ports.disk.aside(self._book.note_taken, row, reader, lacking)
                    self._unreadable.goes_on(row)
                if not self._is_still_so(row.roll_id, reader):
                    self._retry_at_s.pop(row.roll_id, None)
                    self._bell.ring()
                    return
                self._offered.add(row.roll_id)
                self._telling.taken(row.roll_id)
                self.feed.offer(
                    row.roll_id,
                    place_of(row),
                    lacking,
                    outgoing.plan,
                )
                if row.paused:
                    self.feed.pause(row.roll_id)
                self._lanes.wake()
            case OfferKind.HAVE:
                await self._ports.disk.aside(self._book.note_had, row, answer.message)
                self._drop(row.roll_id)
            case OfferKind.REFUSE:
                code = HeldCode(answer.code)
                said = f"{self.peer}: {answer.message}"  # it speaks of its own storage
                raise HeldError(code, said, remedy="", path=answer.path or None)
            case _:
                log.debug("%s asks to wait: %s", self.peer, answer.message)

    def _is_still_so(self, roll_id: str, reader: RollReader | None) -> bool:
        """Tell whether an answer still holds that was asked for while a roll was read by reader.

        Meanwhile a lane may have found that it cannot go on, or the storage have asked for a file.
        """
        is_same = reader is not None and self._sources.reader_if_open(roll_id) is reader
        return is_same and not self._resends.is_asked(roll_id)

    # Doubts: the storage read back something else than the evidence says

    def _resend(self, roll_id: str, path: str) -> None:
        """Send a file again, as the storage asks, once its source has been checked."""
        self._resends.ask(roll_id, path)
        self._offered.discard(roll_id)
        self._retry_at_s.pop(roll_id, None)
        self._bell.ring()

    # What the storage may have done for one roll

    async def _is_worth_it(self, outgoing: Outgoing) -> bool:
        """Tell whether a roll is to be offered; not if too much was done, unless a person says."""
        roll_id = outgoing.roll_id
        self._efforts.begin(outgoing)
        if not self._efforts.is_spent(roll_id):
            return True
        is_held = await self._ports.disk.aside(self._book.is_held, roll_id)
        if is_held or not self._efforts.is_held(roll_id):
            await self._hold_spent(roll_id)
            return False
        self._efforts.begin_anew(roll_id)
        return True

    async def _hold_spent(self, roll_id: str) -> None:
        if not self._efforts.is_spent(roll_id):
            return  # it is over meanwhile
        await self._hold(roll_id, self._efforts.why(roll_id))
        if await self._ports.disk.aside(self._book.is_held, roll_id):
            self._efforts.note_held(roll_id)

    # Lanes and what comes back from them

    async def _ride(self, lane: int, link: Link, ticket: LaneTicket, state: LaneState) -> None:
        await send_lane(
            link,
            self._ports.clock,
            self._counted,
            self._sources,
            ticket.keys(),
            lane,
            ticket=ticket.ticket,
            stats=self.stats,
            state=state,
        )

    async def _follow_feed(self) -> None:
        """Write down progress and forecasts, and hold what the lanes could not move."""
        while True:
            for outcome in self.feed.take_outcomes():
                if outcome.error.code is HeldCode.PEER_REFUSED:
                    # It does not expect this roll (any more): the next offer's answer says why.
                    self._drop(outcome.roll_id)
                    self._bell.ring()
                elif isinstance(outcome.error, TouchedError):
                    # What was sent of the file is read again before the rest follows.
                    self._offer_again(outcome.roll_id)
                else:
                    await self._hold_as_it_is(outcome.roll_id, outcome.error)
            for roll_id in self._efforts.newly_spent():
                await self._hold_spent(roll_id)
            if self._ports.clock.monotonic_s() - self._began_s > DEAD_AFTER_S:
                self._repeats.well(self.peer, f"{self.peer}: the hand-over goes on")
            await self._progress.write()
            await self._feed_bell.wait(0.5)

    async def _hold_as_it_is(self, roll_id: str, error: HeldError) -> None:
        """Hold a roll; one that the landing has taken anew since it was opened is offered anew.

        One of which the landing may be about to do so is offered again a little later.
        """
        if await self._ports.disk.aside(self._book.is_taken_anew, roll_id):
            self._offer_again(roll_id)
            return
        opened = self._sources.opened(roll_id)
        inventory = None if opened is None else opened.inventory
        if opened is None or not self._patience.is_left(roll_id, inventory, error):
            await self._hold(roll_id, error)
            return
        log.info("%s: %s The landing is asked to look again.", roll_id, error.problem)
        self._look(opened.source_path)
        self._drop(roll_id)
        self._retry_at_s[roll_id] = self._ports.clock.monotonic_s() + SELF_CURE_RETRY_S

    async def _hold(self, roll_id: str, error: HeldError) -> None:
        self._drop(roll_id)
        self._retry_at_s[roll_id] = self._ports.clock.monotonic_s() + SELF_CURE_RETRY_S
        await self._ports.disk.aside(self._book.hold, roll_id, error)
        if error.code in WITHHELD and self._pulse.is_heard:
            await self._telling.source_gone(roll_id, error)

    def _offer_again(self, roll_id: str) -> None:
        """Open a roll anew and offer it at once."""
        self._drop(roll_id)
        self._retry_at_s.pop(roll_id, None)
        self._bell.ring()

    def _drop(self, roll_id: str) -> None:
        self._offered.discard(roll_id)
        self.feed.withdraw(roll_id)
        self._sources.drop(roll_id)

    # The peer itself

    def _note_problem(self, error: BaseException | None) -> None:
        self.problem = "" if error is None else str(error)
        if (
            self.problem and self._pulse.is_heard
        ):  # else it is said of the peer, not of each session
            self._repeats.trouble(self.peer, f"{self.peer}: {self.problem}")

    async def _refused(self, error: BaseException) -> None:
        """Hold every roll that waits for a peer that refuses us, with the reason."""
        first = first_of(error)
        self._note_problem(first)
        assert isinstance(first, PeerRefusedError)
        refusal = held_for(first)
        rows, _ = await self._ports.disk.aside(self._book.unfinished)
        for row in rows:
            if row.held is None:
                await self._hold(row.roll_id, refusal)


def held_for(error: PeerRefusedError) -> HeldError:
    """Return what holds a roll that the peer refuses: see CURED_BY_AN_ANSWER."""
    remedy = f"{error.remedy} The roll is offered again by itself until it is taken."
    return HeldError(HeldCode.PEER_REFUSED, error.problem, remedy=remedy)


def _is_held_for_its_source(row: RollRow) -> bool:
    return row.held is not None and row.held.code is HeldCode.SOURCE_UNREADABLE


def place_of(row: RollRow) -> Place:
    """Return a roll's place in the order."""
    return Place(row.rank, row.needed_by_utc_ms, row.arrived_utc_ms)
