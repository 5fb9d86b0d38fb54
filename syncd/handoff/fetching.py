"""Fetching as editorial sees it: ready rolls come through lanes, are proved, then appear whole.

Owns: which peer has a roll, its inventory, the lanes that bring it, the report back.
Must not: write parcels (storage/receiving.py) or publish (storage/keeper.py): they are the same
as on the storage side, so that a fetched roll is proved by the same code.
"""

import asyncio
import logging
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

from syncd.bell import Bell
from syncd.errors import (
    HeldError,
    NotPossibleError,
    PeerRefusedError,
    PeerUnreachableError,
    RollAmbiguousError,
    RollUnknownError,
    SyncdError,
    first_of,
)
from syncd.handoff.doubts import Doubts
from syncd.handoff.lanes import LaneKeeper
from syncd.handoff.listing import list_all
from syncd.handoff.outgoing import inventory_of
from syncd.handoff.pending import text_bytes
from syncd.handoff.unsealed import Unsealed
from syncd.journal import rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin, RollRow
from syncd.limits import (
    INVENTORY_SAID_S_MAX,
    PENDING_TEXT_BYTES_MAX,
    RETRY_BASE_S,
    RETRY_CAP_S,
    SELF_CURE_RETRY_S,
)
from syncd.ports import Link, Ports
from syncd.repeats import Repeats
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.parcels import ParcelPlan, from_bitmap
from syncd.roll.stages import SELF_CURING, Stage, is_before
from syncd.schedule.feed import Feed
from syncd.schedule.order import Place
from syncd.storage.keeper import CURABLE, CURE_WAIT_MAX_S, Keeper
from syncd.storage.outcomes import record_held
from syncd.wire.lane import LaneState, LaneStats, fetch_lane
from syncd.wire.lane_watch import never
from syncd.wire.messages import (
    FetchedReport,
    InventoryQuestion,
    LaneTicket,
    ListedRoll,
)
from syncd.wire.pulse import Pulse

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Found:
    """A roll that a peer can give."""

    peer: str
    roll: ListedRoll


@dataclass(frozen=True, slots=True)
class Source:
    """A peer to fetch from: its calls, and the host its lanes are dialled at."""

    calls: Pulse
    host: Callable[[], str]


class Fetching:
    """Fetches rolls into folders, one roll after the other, until cancelled."""

    def __init__(
        self,
        *,
        peers: dict[str, Source],
        ports: Ports,
        journal: Journal,
        keeper_for: Callable[[str], Keeper],
        lane_count: int,
        unsealed: Unsealed | None = None,
    ) -> None:
        self.stats = LaneStats()
        self._peers = peers
        self._ports = ports
        self._journal = journal
        self._keeper_for = keeper_for
        self._lane_count = lane_count
        self._unsealed = unsealed
        self._bell = Bell()
        self._lanes_now: LaneKeeper | None = None
        self._tries: dict[str, tuple[float, float]] = {}
        self._repeats = Repeats(log, ports.clock)
        journal.subscribe(self._bell.ring)

    def storage_wait_s(self) -> float:
        """Return for how long a lane has waited for the folder that is fetched into; 0: none."""
        return 0.0 if self._lanes_now is None else self._lanes_now.watch.storage_wait_s()

    # Asking for a roll

    async def start(self, text: str, target: str) -> str:
        """Note that a roll is to be fetched into target; return its id.

        Raises RollUnknownError, RollAmbiguousError, or PeerUnreachableError if nobody answers.
        """
        found = await self.find(text)
        inventory = await self._inventory(found)
        await self._ports.disk.aside(self._note_wanted, inventory, found, target)
        self._bell.ring()
        return found.roll.roll_id

    async def listing(self) -> list[Found]:
        """List what can be fetched; peers that do not answer are left out, unless all are."""
        found: list[Found] = []
        problem: SyncdError | None = None
        for name, origin in tuple(self._peers.items()):  # somebody may be forgotten meanwhile
            try:
                listed = await list_all(origin.calls, name)
            except (PeerUnreachableError, PeerRefusedError) as error:
                problem = error
                continue
            found += [Found(name, roll) for roll in listed]
        if problem is not None and not found:
            raise problem
        return found

    async def find(self, text: str) -> Found:
        """Find the one ready roll that text means: a name, DAY/ROLL, or an id."""
        listing = await self.listing()
        matching = [
            found
            for found in listing
            if text in (found.roll.name, f"{found.roll.day}/{found.roll.name}", found.roll.roll_id)
        ]
        if not matching:  # perhaps it was offered as that, too
            matching = [found for found in listing if _is_also(found.roll, text)]
        if not matching:
            raise RollUnknownError(
                f"No ready roll is called {text}.",
                remedy="See what is ready with `syncd rolls` on the processing workstation.",
            )
        if len(matching) > 1:
            names = ", ".join(sorted(f"{f.roll.day}/{f.roll.name}" for f in matching))
            raise RollAmbiguousError(
                f"{text} may mean {names}.", remedy="Say DAY/ROLL, or the roll's id."
            )
        return matching[0]

    async def _inventory(self, found: Found) -> Inventory:
        """Get a roll's inventory page by page, and check that it gives the roll's id."""
        calls = self._source(found.peer).calls
        files: list[FileEntry] = []
        kept_bytes = 0
        is_more = True
        ends_s = self._ports.clock.monotonic_s() + INVENTORY_SAID_S_MAX
        while is_more:
            if self._ports.clock.monotonic_s() > ends_s:
                raise _too_slow(found)
            question = InventoryQuestion(roll_id=found.roll.roll_id, first=len(files))
            answer = await calls.ask(question)
            files += answer.files
            kept_bytes += sum(text_bytes(entry) for entry in answer.files)
            is_fit = len(files) <= answer.head.file_count and kept_bytes <= PENDING_TEXT_BYTES_MAX
            is_more = answer.more and bool(answer.files) and is_fit
        cannot_be_right = PeerRefusedError(
            f"{found.peer} sent an inventory of {found.roll.day}/{found.roll.name} that cannot be "
            "right.",
            remedy="Run the same version of syncd on both boxes and fetch again.",
        )
        if not is_fit:
            raise cannot_be_right
        try:
            inventory = await self._ports.disk.aside(inventory_of, answer.head, files)
        except PeerRefusedError as error:
            raise cannot_be_right from error
        if inventory.roll_id != found.roll.roll_id:
            raise cannot_be_right
        return inventory

    def _note_wanted(self, inventory: Inventory, found: Found, target: str) -> None:
        now = self._ports.clock.utc_ms()
        with self._journal.write() as db:
            known = rolls.get(db, inventory.roll_id)
            if known is not None and known.stage is Stage.FETCHED and known.route == target:
                return
            if known is not None and known.origin is not Origin.FETCH:
                raise NotPossibleError(
                    f"{known.day}/{known.name} is on this box already.",
                    remedy="Fetch on a box that is neither its source nor its storage.",
                )
            if known is not None and known.stage is not Stage.FETCHED and known.held is None:
                if known.route == target:
                    return  # it is on its way, and what is here of it stays
                raise NotPossibleError(
                    f"{known.day}/{known.name} is being fetched to {known.route}.",
                    remedy="Wait until it is there, then fetch it again.",
                )
            if known is not None:
                rolls.forget_fetch(db, inventory.roll_id)
            rolls.add_roll(
                db,
                inventory,
                origin=Origin.FETCH,
                peer=found.peer,
                stage=Stage.MOVING,
                route=target,
                now_utc_ms=now,
            )

    # Bringing it

    async def run(self) -> None:
        """Fetch what was asked for, in order of asking; after a restart, go on with it."""
        attempt = 0
        while True:
            row = await self._ports.disk.aside(self._next)
            if row is None:
                is_curable = await self._ports.disk.aside(self._cure)
                await self._bell.wait(SELF_CURE_RETRY_S if is_curable else None)
                continue
            try:
                await self._fetch(row)
                attempt = 0
                self._repeats.well(row.roll_id, f"{row.day}/{row.name} is fetched")
            except* HeldError as group:
                await self._hold(row.roll_id, first_of(group))
            except* (PeerUnreachableError, PeerRefusedError) as group:
                self._repeats.trouble(
                    row.roll_id, f"fetching {row.day}/{row.name}: {first_of(group)}"
                )
                attempt += 1
                cap_s = min(RETRY_CAP_S, RETRY_BASE_S * 2 ** min(attempt, 10))
                await self._ports.clock.sleep(self._ports.chance.uniform(RETRY_BASE_S, cap_s))

    def _next(self) -> RollRow | None:
        with self._journal.read() as db:
            waiting = rolls.unfinished(db, Origin.FETCH)
        return min(
            (row for row in waiting if row.held is None and not row.paused),
            key=lambda row: (row.rank, row.arrived_utc_ms),
            default=None,
        )

    def _cure(self) -> bool:
        """Let rolls go on whose cause may be gone; tell whether any still waits."""
        with self._journal.read() as db:
            waiting = rolls.unfinished(db, Origin.FETCH)
        curable = [row for row in waiting if row.held and row.held.code in SELF_CURING]
        for row in curable:
            if row.held is not None and row.held.code in CURABLE:
                with suppress(HeldError):
                    self._keeper_for(row.route).release_if_well(row)
            else:
                self._try_again(row)
        return bool(curable)

    def _try_again(self, row: RollRow) -> None:
        """Ask again for a roll that the peer could not read, less often each time."""
        now_s = self._ports.clock.monotonic_s()
        first = (now_s + SELF_CURE_RETRY_S, SELF_CURE_RETRY_S)
        due_s, wait_s = self._tries.get(row.roll_id, first)
        if now_s >= due_s:
            wait_s = min(2 * wait_s, CURE_WAIT_MAX_S)
            due_s = now_s + wait_s
            with self._journal.write() as db:
                rolls.release(db, row.roll_id, now_utc_ms=self._ports.clock.utc_ms())
        self._tries[row.roll_id] = (due_s, wait_s)

    async def _fetch(self, row: RollRow) -> None:
        """Bring one roll, until it is published and reported. Raises as its parts do."""
        assert row.peer is not None, "a fetched roll has a peer"
        origin = self._source(row.peer)
        inventory = await self._ports.disk.aside(self._load, row.roll_id)
        keeper = self._keeper_for(row.route)
        await self._ports.disk.aside(keeper.add, inventory)
        bringing = asyncio.create_task(
            self._bring(origin, keeper, row, ParcelPlan(inventory)), name=f"fetch-{row.name}"
        )
        keeping = asyncio.create_task(keeper.run(), name=f"keep-{row.name}")
        try:
            await asyncio.wait({bringing, keeping}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (bringing, keeping):
                task.cancel()
            await asyncio.wait({bringing, keeping})
        for task in (bringing, keeping):
            if not task.cancelled():
                task.result()
        check = "every file read back and compared"
        report = FetchedReport(roll_id=row.roll_id, digest_check=check)
        await origin.calls.ask(report)

    def _source(self, name: str) -> Source:
        """Return a peer to fetch from. Raises PeerUnreachableError if it was forgotten."""
        origin = self._peers.get(name)
        if origin is None:
            raise PeerUnreachableError(
                f"{name} is not paired with this box any more.",
                remedy="Pair it again, or fetch the roll from another box.",
            )
        return origin

    def _load(self, roll_id: str) -> Inventory:
        with self._journal.read() as db:
            return rolls.load_inventory(db, roll_id)

    async def _hold(self, roll_id: str, error: BaseException) -> None:
        assert isinstance(error, HeldError), error
        now = self._ports.clock.utc_ms()
        await self._ports.disk.aside(record_held, self._journal, roll_id, error, now)

    async def _bring(self, origin: Source, keeper: Keeper, row: RollRow, plan: ParcelPlan) -> None:
        """Keep lanes open and fed until the roll is published. Raises HeldError if it is held."""
        changed = Bell()
        feed = Feed(changed.ring)
        doubts = Doubts(origin.calls, self._journal, self._ports, row)
        await self._ports.disk.aside(doubts.begin)
        unsubscribe = self._journal.subscribe(changed.ring)
        lanes = self._lanes_now = self._lanes(origin, keeper, feed)
        lanes_task = asyncio.create_task(_while_heard(origin.calls, lanes), name="fetch-lanes")
        is_offered = False
        try:
            while not await self._ports.disk.aside(self._is_fetched, row.roll_id):
                if not is_offered or feed.is_done(row.roll_id):
                    await doubts.settle()
                    is_offered = await self._feed_again(keeper, feed, row, plan)
                    lanes.wake()
                for outcome in feed.take_outcomes():
                    await doubts.settle_error(outcome.error)
                    is_offered = False
                if lanes_task.done():
                    lanes_task.result()
                await changed.wait(0.5)
        finally:
            unsubscribe()
            self._lanes_now = None
            lanes_task.cancel()
            await asyncio.wait({lanes_task})

    def _lanes(self, origin: Source, keeper: Keeper, feed: Feed) -> LaneKeeper:
        async def ride(lane: int, link: Link, ticket: LaneTicket, state: LaneState) -> None:
            await fetch_lane(
                link,
                self._ports.clock,
                keeper.receiving,
                feed,
                ticket.keys(),
                lane,
                ticket=ticket.ticket,
                stats=self.stats,
                state=state,
            )

        return LaneKeeper(
            calls=origin.calls,
            ports=self._ports,
            host=origin.host,
            purpose="fetch",
            count=self._lane_count,
            ride=ride,
            lost=feed.lane_lost,
            excused=never,  # here it is our own storage that takes
            peer=origin.calls.peer,
            unsealed=self._unsealed,
        )

    async def _feed_again(self, keeper: Keeper, feed: Feed, row: RollRow, plan: ParcelPlan) -> bool:
        """Ask for what is lacking: everything at first, later what a read-back found wrong.

        Returns whether anything is.
        """
        bitmap = await keeper.lacking(row.roll_id)
        lacking = from_bitmap(bitmap, plan.count)
        if lacking:
            place = Place(row.rank, None, row.arrived_utc_ms)
            feed.offer(row.roll_id, place, lacking, plan)
        return bool(lacking)

    def _is_fetched(self, roll_id: str) -> bool:
        with self._journal.read() as db:
            row = rolls.get(db, roll_id)
        if row is None:
            return True
        if row.held is not None:
            raise HeldError(row.held.code, row.held.message, remedy="", path=row.held.path)
        return not is_before(row.stage, Stage.FETCHED)


def _too_slow(found: Found) -> PeerRefusedError:
    name, minutes = f"{found.roll.day}/{found.roll.name}", INVENTORY_SAID_S_MAX / 60
    return PeerRefusedError(
        f"{found.peer} has not said within {minutes:.0f} minutes what is in {name}.",
        remedy=f"See what {found.peer} does, and fetch the roll again.",
    )


def _is_also(roll: ListedRoll, text: str) -> bool:
    """Tell whether a roll's content was offered under another name or id, and text is that."""
    return any(text in (name, name.rpartition("/")[2]) for name in roll.also)


async def _while_heard(pulse: Pulse, lanes: LaneKeeper) -> None:
    """Keep lanes open as long as the peer is heard. Raises PeerUnreachableError, in a group."""
    await pulse.wait_heard()
    async with asyncio.TaskGroup() as group:
        group.create_task(lanes.run(), name="lanes")
        group.create_task(pulse.until_broken(lanes.watch.moved_s), name="pulse")
