"""Offers as the storage side decides them: take, have, refuse, or ask for more first.

Owns: the checks of a stranger's inventory, the comparison with what has the same name or content,
what a peer may have under way at once. Must not: overwrite or merge anything (promises 2 and 7);
know who is paired: owners.py says whose a roll is.
"""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

from syncd.errors import SAY_GO, HeldError, PeerRefusedError, UnfitError
from syncd.handoff.calling import call_too
from syncd.handoff.changes import Changes
from syncd.handoff.had import HadRolls, have
from syncd.handoff.outgoing import UNFIT_REMEDY, inventory_of
from syncd.handoff.owners import WITHHELD, Owners
from syncd.handoff.pending import PendingInventories
from syncd.handoff.replaced import Replaced
from syncd.journal import rolls, same
from syncd.journal.also import Also
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin, RollRow
from syncd.limits import (
    COMPARISONS_MAX,
    COMPARISONS_PER_PEER_MAX,
    ROLL_FILES_MAX,
    SAME_AS_MAX,
    UNFINISHED_PER_PEER_MAX,
)
from syncd.ports import Ports
from syncd.roll.inventory import FileEntry, FileKind, Inventory, Trust, may_be_same_media
from syncd.roll.names import shown
from syncd.roll.stages import SELF_CURING, Stage, is_before
from syncd.storage.adopting import record_adopted
from syncd.storage.area import Area
from syncd.storage.comparing import Comparison, compare_with_published, evidence_there
from syncd.storage.keeper import CURABLE, Keeper
from syncd.storage.layout import target_of
from syncd.storage.papers import is_told as is_told_of
from syncd.storage.records import PublishedRecord
from syncd.storage.taken import name_offered_twice, refuse_twin_of
from syncd.storage.troubles import storage_trouble
from syncd.wire.messages import Done, InventoryPage, Offer, OfferAnswer, OfferKind, PeerIdentity

GO_THE_ROLL = f"{SAY_GO} the roll"


@dataclass(frozen=True, slots=True)
class _Found:
    """What the storage has of a roll; there: the roll under the name it was looked for by."""

    comparison: Comparison
    there: Inventory


@dataclass(frozen=True, slots=True)
class _UnderWay:
    """What a peer has under way: how much is still to come, and whether it is as much as may be."""

    lacking_bytes: int
    is_too_much: bool
    text: str


class OfferBook:
    """Answers offers. Offering again is always safe and gives the state of now."""

    def __init__(
        self,
        *,
        ports: Ports,
        journal: Journal,
        area: Area,
        keeper: Keeper,
        owners: Owners,
        own_name: str,
    ) -> None:
        self.changes = Changes(ports.clock)
        self._owners = owners
        self._ports = ports
        self._journal = journal
        self._area = area
        self._keeper = keeper
        self._had = HadRolls(ports=ports, journal=journal, area=area, own_name=own_name)
        self._pending = PendingInventories(ports.clock)
        self._replaced = Replaced(journal, area, keeper, self.changes)
        self._comparisons: dict[tuple[str, str], asyncio.Task[_Found]] = {}
        self._taking = asyncio.Lock()

    def page(self, peer: PeerIdentity, page: InventoryPage) -> Done:
        """Keep one page of an inventory that was asked for; a page come twice counts once."""
        self._pending.take_page(peer, page)
        return Done()

    async def answer(self, peer: PeerIdentity, head: Offer) -> OfferAnswer:
        """Decide what to do with a roll."""
        known = await self._ports.disk.aside(self._known, head.roll_id)
        try:
            answer = await self._answer_there(peer, head, known)
            answer = answer or await self._answer_unknown(peer, head)
        except HeldError as error:
            answer = refusal(error)
        if answer.kind is OfferKind.REFUSE and (known is None or not _is_published(known)):
            return _said_to(peer, answer)
        if answer.kind in {OfferKind.TAKE, OfferKind.HAVE} and head.replaces:
            await self._ports.disk.aside(self._replaced.give_up, peer.name, head)
        if answer.kind is OfferKind.HAVE and known is not None:
            other = Also(head.day, head.name, "")
            await self._ports.disk.aside(self.call_too, peer, head.roll_id, other)
        return answer

    def call_too(self, peer: PeerIdentity, roll_id: str, other: Also) -> str:
        """Let another name lead to a published roll; return as what that was published. Blocks."""
        now = self._ports.clock.utc_ms()
        spend = self.changes.spend
        return call_too(self._journal, roll_id, other, peer=peer.name, spend=spend, now_utc_ms=now)

    async def _answer_there(
        self, peer: PeerIdentity, head: Offer, known: RollRow | None
    ) -> OfferAnswer | None:
        """Answer for a roll whose id is known; None if it is to be taken as new."""
        if known is None:
            return None
        is_its_own = self._owners.may_take(peer.name, known)
        if _is_published(known):
            return await self._had.answer(head, known, may_release=is_its_own)
        if not is_its_own:
            return self._owners.why_not(known)
        return await self._answer_known(peer, head, known)

    async def _answer_unknown(self, peer: PeerIdentity, head: Offer) -> OfferAnswer:
        under_way = await self._ports.disk.aside(self._under_way, peer, head)
        if under_way.is_too_much:
            return OfferAnswer(kind=OfferKind.WAIT, message=under_way.text)
        inventory = await self._collected(peer, head)
        if inventory is None:
            return OfferAnswer(kind=OfferKind.INVENTORY)
        await self._check_room(peer, head, inventory, under_way)
        return await self._answer_new(peer, head, inventory)

    async def _check_room(
        self, peer: PeerIdentity, head: Offer, inventory: Inventory, under_way: "_UnderWay"
    ) -> None:
        amounts = inventory.total_bytes, under_way.lacking_bytes
        await self._ports.disk.aside(self._replaced.check_room, peer.name, head, *amounts)

    def let_go(self, peer: PeerIdentity, roll_id: str) -> None:
        """Wait no more for what a roll still lacks, as a person at its box says; its files stay.

        Nothing is done if it lacks nothing, or is another box's. Raises PeerRefusedError if the
        storage is away or fails. Blocks.
        """
        row = self._known(roll_id)
        if row is None or row.same_as is not None or not is_before(row.stage, Stage.LANDED):
            return
        is_theirs = row.origin is Origin.PEER and row.peer == peer.name
        if is_theirs and row.moved_bytes < row.total_bytes:
            self.changes.spend(peer.name)
            try:
                self._keeper.let_go(roll_id)
            except HeldError as error:
                raise PeerRefusedError(error.problem, remedy=error.remedy) from error

    def _under_way(self, peer: PeerIdentity, head: Offer) -> "_UnderWay":
        """Return what a peer has under way beside a roll that it offers."""
        with self._journal.read() as db:
            rows = rolls.unfinished(db, Origin.PEER)
        own = [row for row in rows if row.peer == peer.name and is_before(row.stage, Stage.LANDED)]
        own = [row for row in own if row.roll_id not in {head.roll_id, *head.replaces}]
        files = head.file_count + sum(row.file_count for row in own)
        return _UnderWay(
            lacking_bytes=sum(row.total_bytes - row.moved_bytes for row in own),
            is_too_much=len(own) >= UNFINISHED_PER_PEER_MAX
            or (bool(own) and files > ROLL_FILES_MAX),
            text=f"{len(own)} rolls of {peer.name} are under way, as many as may be at once",
        )

    def _known(self, roll_id: str) -> RollRow | None:
        with self._journal.read() as db:
            return rolls.get(db, roll_id)

    async def _answer_known(self, peer: PeerIdentity, head: Offer, row: RollRow) -> OfferAnswer:
        curable = SELF_CURING | WITHHELD  # who said what was wrong with it offers it again
        if row.held is not None and row.held.code not in curable and not head.released:
            held = HeldError(row.held.code, row.held.message, remedy="", path=row.held.path)
            return refusal(held)
        if not await self._ports.disk.aside(self._has_its_evidence, head, row):
            answer = await self._take_anew(peer, head, row)
            if answer is not None:
                return answer
        try:
            if row.held is not None and row.held.code in CURABLE and not head.released:
                await self._ports.disk.aside(self._keeper.release_if_well, row)
            else:
                await self._ports.disk.aside(self._area.check, row.total_bytes - row.moved_bytes)
            await self._ports.disk.aside(self._take_again, peer, head, row)
            await self._ports.disk.aside(self._go_on, peer, head)
            lacking = await self._keeper.lacking(row.roll_id)
        except HeldError as error:
            return refusal(error)
        return OfferAnswer(kind=OfferKind.TAKE, lacking=lacking)

    def _has_its_evidence(self, head: Offer, row: RollRow) -> bool:
        """Tell whether a roll comes with the evidence under which it was begun here."""
        if not head.evidence:
            return (head.file_count, head.total_bytes) == (row.file_count, row.total_bytes)
        with self._journal.read() as db:
            return rolls.load_evidence_mark(db, row.roll_id) == head.evidence

    async def _take_anew(self, peer: PeerIdentity, head: Offer, row: RollRow) -> OfferAnswer | None:
        """Go on with a roll under the evidence that it has now; None once that is so.

        It keeps the name that it has here, whatever it is offered as by now.
        """
        inventory = await self._collected(peer, head)
        if inventory is None:
            return OfferAnswer(kind=OfferKind.INVENTORY)
        self.changes.spend(peer.name)
        inventory = replace(_as_frozen(inventory), day=row.day, name=row.name)
        await self._ports.disk.aside(self._keeper.take_anew, inventory)
        self._pending.forget(peer, head.roll_id)
        return None

    def _go_on(self, peer: PeerIdentity, head: Offer) -> None:
        """Take no parcel any more of a state that the roll's files were in before."""
        spend = partial(self.changes.spend, peer.name)
        self._keeper.go_on(head.roll_id, head.state, head.anew, spend)

    def _take_again(self, peer: PeerIdentity, head: Offer, row: RollRow) -> None:
        """Go on with a roll as this peer's, in its order. Raises NotAllowedError."""
        now = self._ports.clock.utc_ms()
        is_in_order = (row.rank, row.needed_by_utc_ms) == (head.rank, head.needed_by_utc_ms)
        if row.held is not None or row.peer != peer.name or not is_in_order:
            self.changes.spend(peer.name)
        self._keeper.unclaimed.discard(row.roll_id)
        with self._journal.write() as db:
            if row.held is not None:
                rolls.release(db, row.roll_id, now_utc_ms=now)
            if row.peer != peer.name:
                rolls.set_peer(db, row.roll_id, peer.name)
                text = f"comes from {peer.name} now, and no longer from {row.peer or 'nobody'}"
                rolls.note(db, row.roll_id, text, now_utc_ms=now)
            if not is_in_order:
                rolls.set_order(
                    db,
                    row.roll_id,
                    rank=head.rank,
                    needed_by_utc_ms=head.needed_by_utc_ms,
                    now_utc_ms=now,
                )

    async def _collected(self, peer: PeerIdentity, head: Offer) -> Inventory | None:
        """Return the inventory if all its pages are here. Raises PeerRefusedError."""
        files = self._pending.collected(peer, head)
        if files is None:
            return None
        try:  # beside the loop: a roll of many files takes seconds to check
            return await self._ports.disk.aside(_checked, head, files)
        except PeerRefusedError:
            self._pending.forget(peer, head.roll_id)  # the next offer is asked for it anew
            raise

    async def _answer_new(
        self, peer: PeerIdentity, head: Offer, inventory: Inventory
    ) -> OfferAnswer:
        """Decide on a roll whose id is not known; its name may be."""
        found = await self._compare(peer, head, inventory)
        if found is None:
            waiting = "compared with what has this name or this content on the storage"
            return OfferAnswer(kind=OfferKind.WAIT, message=waiting)
        inventory, there = _as_frozen(inventory), _as_frozen(found.there)
        match found.comparison:
            case Comparison.ABSENT:
                return await self._take_new(peer, head, inventory)
            case Comparison.SAME:
                await self._ports.disk.aside(self._note_same, peer, inventory, there)
                self._pending.forget(peer, head.roll_id)
                return have(target_of(there))
            case Comparison.NEEDS_DIGESTS:
                return OfferAnswer(kind=OfferKind.DIGESTS, message="send digests to compare by")
        self._pending.forget(peer, head.roll_id)
        return refusal(await self._ports.disk.aside(self._taken, inventory))

    async def _take_new(self, peer: PeerIdentity, head: Offer, inventory: Inventory) -> OfferAnswer:
        """Take a roll if there is room beside all that was taken while it was compared.

        One at a time: of offers that come together each would find the same room.
        Raises HeldError.
        """
        async with self._taking:
            under_way = await self._ports.disk.aside(self._under_way, peer, head)
            if under_way.is_too_much:
                return OfferAnswer(kind=OfferKind.WAIT, message=under_way.text)
            await self._check_room(peer, head, inventory, under_way)
            await self._ports.disk.aside(self._replaced.give_up, peer.name, head)
            await self._check_room(peer, head, inventory, under_way)  # now it has to be there
            await self._ports.disk.aside(self._accept, peer, head, inventory)
        await self._ports.disk.aside(self._go_on, peer, head)
        lacking = await self._keeper.lacking(inventory.roll_id)
        self._pending.forget(peer, head.roll_id)
        return OfferAnswer(kind=OfferKind.TAKE, lacking=lacking)

    async def _compare(
        self, peer: PeerIdentity, head: Offer, inventory: Inventory
    ) -> _Found | None:
        """Compare beside the loop; None while that still runs, so that nobody waits on a call."""
        rival = await self._ports.disk.aside(self._rival, peer, head, inventory)
        if rival is not None:
            # Perhaps the same content under other evidence: then it is told once that has landed.
            is_same = await self._ports.disk.aside(self._may_be_same, rival, inventory)
            return None if is_same else _Found(Comparison.DIFFERENT, inventory)
        key = peer.fingerprint, f"{head.roll_id} {inventory.roll_id}"
        task = self._comparisons.get(key)
        if task is None:
            if not self._has_time_for(peer):
                return None
            work = self._ports.disk.aside(self._look_for, inventory)
            task = asyncio.ensure_future(work)
            self._comparisons[key] = task
        await asyncio.wait([task], timeout=1.0)
        if not task.done():
            return None
        self._comparisons.pop(key, None)  # the same offer may be asked twice at a time
        return task.result()

    def _has_time_for(self, peer: PeerIdentity) -> bool:
        """Tell whether another comparison may begin; what nobody asked about again is forgotten."""
        for key, task in tuple(self._comparisons.items()):
            if task.done() and key[0] == peer.fingerprint:
                del self._comparisons[key]
        own = sum(key[0] == peer.fingerprint for key in self._comparisons)
        return own < COMPARISONS_PER_PEER_MAX and len(self._comparisons) < COMPARISONS_MAX

    def _look_for(self, inventory: Inventory) -> _Found:
        """Find a roll on the storage: under its own name, or the same content under another one.

        Raises HeldError if the storage is absent or fails.
        """
        by_name = compare_with_published(self._area, inventory)
        if by_name is not Comparison.ABSENT:
            return _Found(by_name, inventory)
        with self._journal.read() as db:
            rows = same.published_like(db, inventory)
        for row in rows:
            if not self._may_be_same(row, inventory):
                continue
            there = replace(inventory, day=row.day, name=row.name)
            found = compare_with_published(self._area, there)
            if found in (Comparison.SAME, Comparison.NEEDS_DIGESTS):
                return _Found(found, there)
        return _Found(Comparison.ABSENT, inventory)

    def _rival(self, peer: PeerIdentity, head: Offer, inventory: Inventory) -> RollRow | None:
        """Return another unfinished roll of the same name, if there is one.

        One that was only found on the storage, and that nobody brings, bars no other's way; nor
        does one that this offer replaces.
        Raises HeldError(name-unsafe) if one is under way whose name would become one with this.
        """
        with self._journal.read() as db:
            found = rolls.find(db, f"{inventory.day}/{inventory.name}")
            under_way = rolls.unfinished(db, Origin.PEER)
        apart = self._keeper.unclaimed | {head.roll_id}
        apart |= {row.roll_id for row in self._replaced.rows(peer.name, head)}
        apart |= {row.roll_id for row in (*found, *under_way) if not self._bars(row)}
        others = [row for row in found if row.origin is Origin.PEER and row.roll_id not in apart]
        rival = next((row for row in others if is_before(row.stage, Stage.LANDED)), None)
        for row in () if rival is not None else under_way:
            if row.roll_id not in apart and is_before(row.stage, Stage.LANDED):
                refuse_twin_of(inventory, f"{row.day}/{row.name}" if row.day else row.name)
        return rival

    def _bars(self, row: RollRow) -> bool:
        """Tell whether an unfinished roll keeps its name: one of a peer that was forgotten not."""
        return row.peer is None or self._owners.is_trusted(row.peer)

    def _taken(self, inventory: Inventory) -> HeldError:
        """Say what has this roll's name on the storage. Raises HeldError if that is absent."""
        try:
            return name_offered_twice(self._area.present(), inventory)
        except OSError as error:
            raise storage_trouble(self._area.path, error) from error

    def _may_be_same(self, other: RollRow, inventory: Inventory) -> bool:
        """Tell whether two rolls may have the same content, as far as the journal knows."""
        with self._journal.read() as db:
            return may_be_same_media(rolls.load_inventory(db, other.roll_id), inventory)

    def _accept(self, peer: PeerIdentity, head: Offer, inventory: Inventory) -> None:
        self.changes.spend(peer.name)
        now = self._ports.clock.utc_ms()
        with self._journal.write() as db:
            rolls.add_roll(
                db,
                inventory,
                origin=Origin.PEER,
                peer=peer.name,
                stage=Stage.MOVING,
                route="peer",
                rank=head.rank,
                needed_by_utc_ms=head.needed_by_utc_ms,
                now_utc_ms=now,
            )
            if head.left_out:
                said_by = f"{peer.name}: {head.left_out}"
                rolls.note(db, inventory.roll_id, said_by, now_utc_ms=now)
            if (gone := self._had.gone.pop(inventory.roll_id, None)) is not None:
                rolls.note(db, inventory.roll_id, f"{gone}; taken again", now_utc_ms=now)
        self._keeper.add(inventory)

    def _note_same(self, peer: PeerIdentity, inventory: Inventory, there: Inventory) -> None:
        """Note that the content lies there already: one roll, told once (promises 6 and 7)."""
        with self._journal.read() as db:
            rows = rolls.find(db, target_of(there))
        for row in rows:
            is_published = row.published_path == target_of(there) and row.origin is Origin.PEER
            if is_published and row.same_as is None and row.roll_id != inventory.roll_id:
                self._note_same_as(peer, inventory, row)
                return
        # Published, and the journal does not know it: it was lost, or is another box's.
        folder = self._area.present()
        now = self._ports.clock.utc_ms()
        evidence = evidence_there(self._area, there)
        bare = (b"",) * len(there.files)
        record = PublishedRecord(there, peer.name, evidence, bare, now)
        is_told = is_told_of(folder, inventory.roll_id)
        record_adopted(self._journal, record, is_told=is_told, now_utc_ms=now)

    def _note_same_as(self, peer: PeerIdentity, inventory: Inventory, other: RollRow) -> None:
        """Let another id, and perhaps name, lead to a published roll; nobody is told of it anew."""
        self.changes.spend(peer.name)
        now = self._ports.clock.utc_ms()
        with self._journal.write() as db:
            rolls.forget_offers_of(db, other.roll_id, keep=SAME_AS_MAX - 1)
            same.add_same(db, inventory, other, peer=peer.name, now_utc_ms=now)
            text = "the same content was there already; compared by reading the storage"
            rolls.note(db, inventory.roll_id, text, now_utc_ms=now)
            path, roll_id = target_of(inventory), inventory.roll_id
            same.note_offered(db, other, peer.name, path, roll_id, now_utc_ms=now)


def _checked(head: Offer, files: Sequence[FileEntry]) -> Inventory:
    """Build the inventory a peer described. Raises UnfitError if it is not what it says."""
    inventory = inventory_of(head, files)
    mark = inventory.evidence_mark if head.evidence else b""
    if (head.roll_id, head.evidence) != (_as_frozen(inventory).roll_id, mark):
        name = shown(f"{head.day}/{head.name}")
        raise UnfitError(
            f"The inventory of {name} does not give the roll id it was offered by.",
            remedy=UNFIT_REMEDY,
        )
    return inventory


def _as_frozen(inventory: Inventory) -> Inventory:
    """Leave out digests that a settled roll was hashed for later: they are no part of its id."""
    if inventory.trust is Trust.EVIDENCE:
        return inventory
    bare = tuple(
        replace(entry, digests=()) if entry.kind is FileKind.MEDIA else entry
        for entry in inventory.files
    )
    return replace(inventory, files=bare)


def _is_published(row: RollRow) -> bool:
    """Tell whether the journal knows a roll, or its very content, as published."""
    return row.same_as is not None or not is_before(row.stage, Stage.LANDED)


def _said_to(peer: PeerIdentity, answer: OfferAnswer) -> OfferAnswer:
    """Say on which box a person lets a roll go on: this one may not know it, if it was refused."""
    there = answer.message.replace(GO_THE_ROLL, f"{GO_THE_ROLL} on {peer.name}")
    return replace(answer, message=there)


def refusal(error: HeldError) -> OfferAnswer:
    """Say no, with the reason for which the roll is to be held."""
    return OfferAnswer(
        kind=OfferKind.REFUSE,
        code=error.code.value,
        message=str(error).strip(),
        path=error.path or "",
    )
