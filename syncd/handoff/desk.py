"""The hand-off as the storage side sees it: every question of a peer gets its answer here.

Owns: what an offer is answered with (take, have, refuse and so on) and who may ask what.
Must not: parse HTTP or TLS (control_server.py), write parcels (storage/receiving.py).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from syncd.bell import Bell
from syncd.errors import HeldError, PeerRefusedError, UnfitError
from syncd.handoff.callers import Callers
from syncd.handoff.listing import listing_after
from syncd.handoff.offers import OfferBook
from syncd.handoff.owners import Owners
from syncd.handoff.paging import Paging
from syncd.handoff.published import is_served
from syncd.handoff.refusals import Refusals
from syncd.handoff.turned_away import Door
from syncd.handoff.unsealed import Unsealed
from syncd.journal import notices, rolls, settings
from syncd.journal.also import Also
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin
from syncd.limits import CONTROL_BODY_BYTES_MAX, TIDINGS_WAIT_S
from syncd.ports import Ports
from syncd.roll.names import shown
from syncd.roll.stages import HeldCode, Stage, is_before
from syncd.speed.host import SpeedHost
from syncd.storage.area import Area
from syncd.storage.keeper import Keeper
from syncd.storage.rechecking import Rechecking
from syncd.wire.authority import NotAllowedError, check_kind, check_lane, check_question
from syncd.wire.lane_watch import LaneWatch
from syncd.wire.messages import (
    QUESTION_NAMES,
    Called,
    CalledAnswer,
    Done,
    Doubt,
    DoubtAnswer,
    FetchedReport,
    Hello,
    HelloAnswer,
    InventoryPage,
    InventoryQuestion,
    LaneTicket,
    Listing,
    Message,
    Offer,
    OpenLane,
    PeerIdentity,
    Speed,
    Tiding,
    Tidings,
    TidingsAnswer,
    Withhold,
    pack,
)
from syncd.wire.tickets import Tickets

TIDINGS_MAX = 200
TIDINGS_BYTES_MAX = CONTROL_BODY_BYTES_MAX // 2


@dataclass(frozen=True, slots=True)
class Own:
    """What this node tells of itself."""

    name: str
    roles: tuple[str, ...]
    version: str

    @property
    def role_set(self) -> frozenset[str]:
        """The roles, to be compared with what a question needs."""
        return frozenset(self.roles)


class Desk:
    """Answers the questions of paired peers. The transport has checked who is asking.

    What a peer may ask follows wire/authority.py. The control server asks check() before it reads a
    question, answer() looks again at the whole of it, and may_ride() once more at a lane.

    area, keeper, rechecking: None on a node without storage; then only greetings are answered.
    lanes: those that ride here. callers: is told of everybody who asks.
    is_trusted: tells whether a peer of that name is trusted now.
    bulk_port: where lanes are accepted; known once the server is bound.
    speed: measures this box for others; set by whoever runs it, None where nobody does.
    """

    def __init__(
        self,
        *,
        own: Own,
        ports: Ports,
        journal: Journal,
        tickets: Tickets,
        area: Area | None = None,
        keeper: Keeper | None = None,
        lanes: LaneWatch,
        callers: Callers,
        is_trusted: Callable[[str], bool],
        rechecking: Rechecking | None = None,
        unsealed: Unsealed | None = None,
    ) -> None:
        self.bulk_port = 0
        self.speed: SpeedHost | None = None
        self._unsealed = unsealed or Unsealed(())
        self._lanes = lanes
        self._callers = callers
        self._own = own
        self._ports = ports
        self._journal = journal
        self._tickets = tickets
        self._area = area
        self._rechecking = rechecking
        self.door = Door(ports.clock, callers, is_trusted)
        self.refusals = Refusals(journal, ports.clock)
        self._offers = (
            OfferBook(
                ports=ports,
                journal=journal,
                area=area,
                keeper=keeper,
                owners=Owners(own.name, is_trusted, callers.is_heard),
                own_name=own.name,
            )
            if area is not None and keeper is not None
            else None
        )
        self._paging = Paging(journal, own.name)
        self._waiting: set[Bell] = set()
        journal.subscribe(self._wake)

    async def answer(self, peer: PeerIdentity, question: Any) -> Any:
        """Return the answer to question.

        Raises PeerRefusedError if it is not to be answered, JournalError while that cannot be kept.
        """
        self._callers.note(peer.name, question)
        self._tickets.saw(peer)
        try:
            check_question(peer, question, self._own.name, self._own.role_set)
            return await self._answer(peer, question)
        except UnfitError as error:
            await self.note_unfit(peer, QUESTION_NAMES[type(question)], error)
            raise

    async def check(self, peer: PeerIdentity, kind: type[Message]) -> None:
        """Raise NotAllowedError, and write that down, if peer may not ask such questions."""
        try:
            check_kind(peer, kind, self._own.name, self._own.role_set)
        except NotAllowedError as error:
            await self.note_unfit(peer, QUESTION_NAMES[kind], error)
            raise

    def may_ride(self, peer: PeerIdentity, purpose: str) -> bool:
        """Tell whether peer may have a lane; blocks if it writes down that it may not."""
        try:
            check_lane(peer, purpose, self._own.name, self._own.role_set)
        except NotAllowedError as error:
            self.refusals.note(peer.name, f"lane-{purpose}", error)
            return False
        return True

    async def note_unfit(self, peer: PeerIdentity, asked: str, error: UnfitError) -> None:
        """Write down what a peer is refused. asked: the name of a question, or of what is none."""
        if self.refusals.is_known(peer.name, asked, error):
            self.refusals.note(peer.name, asked, error)
        else:
            await self._ports.disk.aside(self.refusals.note, peer.name, asked, error)

    async def _answer(self, peer: PeerIdentity, question: Any) -> Any:  # noqa: C901, PLR0911  # a table
        match question:
            case Hello():
                return await self._hello()
            case Offer():
                answer = await self._offers_or_refuse().answer(peer, question)
                self.door.note(peer.name, question, answer)
                return answer
            case InventoryPage():
                return self._offers_or_refuse().page(peer, question)
            case OpenLane():
                return self._open_lane(peer, question)
            case Tidings():
                return await self._tidings(peer, question)
            case Withhold():
                self.door.withdrawn(peer.name, question.roll_id)
                return await self._ports.disk.aside(self._withhold, peer, question)
            case Called():
                return await self._ports.disk.aside(self._called, peer, question)
            case Listing():
                return await self._ports.disk.aside(listing_after, self._journal, question.after)
            case InventoryQuestion():
                return await self._ports.disk.aside(self._paging.answer, question)
            case FetchedReport():
                return await self._ports.disk.aside(self._fetched, peer, question)
            case Doubt():
                return await self._doubted(question)
            case Speed() if self.speed is not None:
                return await self.speed.answer(peer, question)
        raise PeerRefusedError(
            f"{self._own.name} does not answer {type(question).__name__}.",
            remedy="Run the same version of syncd on both boxes.",
        )

    async def _hello(self) -> HelloAnswer:
        problem = "this box has no storage"
        if self._area is not None:
            problem = await self._ports.disk.aside(self._area.problem)
        problem = self._journal.problem or problem
        return HelloAnswer(
            node=self._own.name,
            roles=self._own.roles,
            version=self._own.version,
            utc_ms=self._ports.clock.utc_ms(),
            bulk_port=self.bulk_port,
            storage=problem,
            storage_wait_s=self._lanes.storage_wait_s(),
        )

    def _offers_or_refuse(self) -> OfferBook:
        if self._offers is None:
            raise PeerRefusedError(
                f"{self._own.name} has no storage to take rolls.",
                remedy="Name a box with the role processing as the destination's peer.",
            )
        self._journal.check()
        return self._offers

    def _open_lane(self, peer: PeerIdentity, question: OpenLane) -> LaneTicket:
        self._offers_or_refuse()
        seal = self._unsealed.agree(peer.name, peer.address, question.seal)
        ticket, key = self._tickets.issue(peer, question.purpose, question.session, seal=seal)
        return LaneTicket(ticket=ticket, key=key, port=self.bulk_port, seal=seal)

    # Tidings

    def _wake(self) -> None:
        for bell in tuple(self._waiting):
            bell.ring()

    async def _tidings(self, peer: PeerIdentity, question: Tidings) -> TidingsAnswer:
        """Answer with the peer's notices after the cursor; wait for one if there is none yet."""
        clock = self._ports.clock
        ends_s = clock.monotonic_s() + min(question.wait_s, TIDINGS_WAIT_S)
        bell = Bell()
        self._waiting.add(bell)
        try:
            while True:
                answer = await self._ports.disk.aside(self._notices_for, peer, question.after)
                left_s = ends_s - clock.monotonic_s()
                if answer.notices or left_s <= 0:
                    return answer
                await bell.wait(left_s)
        finally:
            self._waiting.discard(bell)

    def _notices_for(self, peer: PeerIdentity, after: int) -> TidingsAnswer:
        with self._journal.read() as db:
            rows = notices.after_for_peer(db, after, peer.name, limit=TIDINGS_MAX)
            journal_id = settings.journal_id(db)
        tidings = tuple(
            Tiding(
                seq=row.seq,
                notice_id=row.notice_id,
                roll_id=row.roll_id,
                kind=row.kind,
                at_utc_ms=row.at_utc_ms,
                body=row.body,
            )
            for row in rows
        )
        return TidingsAnswer(journal_id=journal_id, notices=_that_fit(tidings))

    def _withhold(self, peer: PeerIdentity, question: Withhold) -> Done:
        """Hold a roll here, too, that the source side found to be wrong; or wait for it no more."""
        if question.is_over:
            self._offers_or_refuse().let_go(peer, question.roll_id)
            return Done()
        with self._journal.write() as db:
            row = rolls.get(db, question.roll_id)
            is_theirs = row is not None and row.peer == peer.name and row.origin is Origin.PEER
            if row is None or not is_theirs or not is_before(row.stage, Stage.LANDED):
                return Done()
            self._offers_or_refuse().changes.spend(peer.name)
            code = HeldCode(question.code)
            needs_source = row.moved_bytes < row.total_bytes
            if needs_source or code not in {HeldCode.SOURCE_UNREADABLE, HeldCode.SOURCE_CHANGED}:
                rolls.hold(
                    db,
                    row.roll_id,
                    code,
                    f"{peer.name}: {question.message}",  # it speaks of its own source
                    question.path or None,
                    now_utc_ms=self._ports.clock.utc_ms(),
                )
        return Done()

    def _called(self, peer: PeerIdentity, question: Called) -> CalledAnswer:
        other = Also(question.day, question.name, "")
        path = self._offers_or_refuse().call_too(peer, question.roll_id, other)
        return CalledAnswer(path=path)

    # Editorial

    async def _doubted(self, question: Doubt) -> DoubtAnswer:
        """Read a published file again, over several questions if need be, and say how it is."""
        if self._rechecking is None:
            raise PeerRefusedError(
                f"{self._own.name} has no storage.", remedy="Fetch from the box that has one."
            )
        if not await self._ports.disk.aside(self._is_in_ready_roll, question):
            path = shown(question.path)
            raise PeerRefusedError(
                f"No ready roll with the id {question.roll_id} has the file {path}.",
                remedy="List the rolls again; only files of ready rolls are read again.",
            )
        try:
            found = await self._rechecking.ask(question.roll_id, question.path)
        except HeldError as error:  # the storage is away just now
            found = HeldError(HeldCode.SOURCE_UNREADABLE, error.problem, remedy=error.remedy)
        if isinstance(found, HeldError):
            message, path = str(found).strip(), found.path or ""
            return DoubtAnswer(kind="wrong", code=found.code, message=message, path=path)
        return DoubtAnswer(kind="wait" if found else "good")

    def _is_in_ready_roll(self, question: Doubt) -> bool:
        with self._journal.read() as db:
            row = rolls.get(db, question.roll_id)
            is_ready = row is not None and is_served(row)
            return is_ready and rolls.has_path(db, question.roll_id, question.path)

    def _fetched(self, peer: PeerIdentity, question: FetchedReport) -> Done:
        with self._journal.write() as db:
            row = rolls.get(db, question.roll_id)
            if row is not None and is_served(row):
                rolls.set_stage(
                    db,
                    row.roll_id,
                    Stage.FETCHED,
                    now_utc_ms=self._ports.clock.utc_ms(),
                    note=f"fetched and verified by {peer.name}: {question.digest_check}",
                )
        return Done()


def _that_fit(tidings: tuple[Tiding, ...]) -> tuple[Tiding, ...]:
    """Return the first of them, as many as fit one answer: what a peer said is in their texts."""
    filled_bytes = 0
    for place, tiding in enumerate(tidings):
        filled_bytes += len(pack(tiding))
        if place and filled_bytes > TIDINGS_BYTES_MAX:
            return tidings[:place]
    return tidings
