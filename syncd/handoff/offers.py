"""Offers as the storage side decides them: take, have, refuse, or ask for more first.

Owns: inventories that are still coming in page by page, the checks of a stranger's inventory, the
comparison with what has the same name. Must not: overwrite or merge anything (promises 2 and 7).
"""

import asyncio
from collections.abc import Iterable
from dataclasses import dataclass, field, replace

from syncd.errors import HeldError, PeerRefusedError
from syncd.handoff.had import HadRolls, have
from syncd.handoff.outgoing import inventory_of
from syncd.journal import rolls, same
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin, RollRow
from syncd.limits import ROLL_FILES_MAX
from syncd.ports import Ports
from syncd.roll.inventory import FileEntry, FileKind, Inventory, Trust, may_be_same_media
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import SELF_CURING, HeldCode, Stage, is_before
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

PENDING_PER_PEER_MAX = 8


@dataclass(slots=True)
class _Pending:
    """An inventory on its way in."""

    head: Offer
    files: list[FileEntry] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _Found:
    """What the storage has of a roll; there: the roll under the name it was looked for by."""

    comparison: Comparison
    there: Inventory


class OfferBook:
    """Answers offers. Offering again is always safe and gives the state of now."""

    def __init__(self, *, ports: Ports, journal: Journal, area: Area, keeper: Keeper) -> None:
        self._ports = ports
        self._journal = journal
        self._area = area
        self._keeper = keeper
        self._had = HadRolls(ports=ports, journal=journal, area=area)
        self._pending: dict[tuple[str, str], _Pending] = {}
        self._comparisons: dict[str, asyncio.Task[_Found]] = {}

    def page(self, peer: PeerIdentity, page: InventoryPage) -> Done:
        """Keep one page of an inventory that was asked for; a page come twice counts once."""
        pending = self._pending.get((peer.fingerprint, page.roll_id))
        if pending is None:
            raise PeerRefusedError(
                f"Nobody asked for the inventory of {page.roll_id}.", remedy="Offer the roll first."
            )
        if page.first == 0:
            pending.files.clear()
        if page.first == len(pending.files):
            pending.files += page.files
        if len(pending.files) > pending.head.file_count:
            pending.files.clear()
            raise PeerRefusedError(
                f"The inventory of {page.roll_id} has more files than were offered.",
                remedy="Offer the roll again.",
            )
        return Done()

    async def answer(self, peer: PeerIdentity, head: Offer) -> OfferAnswer:
        """Decide what to do with a roll."""
        known = await self._ports.disk.aside(self._known, head.roll_id)
        self._keeper.unclaimed.discard(head.roll_id)
        try:
            if known is not None and _is_published(known):
                had = await self._had.answer(head, known)
                if had is not None:
                    return had
            elif known is not None:
                return await self._answer_known(peer, head, known)
        except HeldError as error:
            return refusal(error)
        inventory = self._collected(peer, head)
        if inventory is None:
            return OfferAnswer(kind=OfferKind.INVENTORY)
        try:
            await self._ports.disk.aside(self._area.check, inventory.total_bytes)
            return await self._answer_new(peer, head, inventory)
        except HeldError as error:
            return refusal(error)

    def _known(self, roll_id: str) -> RollRow | None:
        with self._journal.read() as db:
            return rolls.get(db, roll_id)

    async def _answer_known(self, peer: PeerIdentity, head: Offer, row: RollRow) -> OfferAnswer:
        curable = SELF_CURING | {HeldCode.EVIDENCE_MISMATCH}
        if row.held is not None and row.held.code not in curable and not head.released:
            held = HeldError(row.held.code, row.held.message, remedy="", path=row.held.path)
            return refusal(held)
        if not await self._ports.disk.aside(self._has_its_evidence, head, row):
            answer = await self._take_anew(peer, head)
            if answer is not None:
                return answer
        try:
            if row.held is not None and row.held.code in CURABLE and not head.released:
                await self._ports.disk.aside(self._keeper.release_if_well, row)
            else:
                await self._ports.disk.aside(self._area.check, row.total_bytes - row.moved_bytes)
            await self._ports.disk.aside(self._take_again, peer, head, row)
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

    async def _take_anew(self, peer: PeerIdentity, head: Offer) -> OfferAnswer | None:
        """Go on with a roll under the evidence that it has now; None once that is so."""
        inventory = self._collected(peer, head)
        if inventory is None:
            return OfferAnswer(kind=OfferKind.INVENTORY)
        await self._ports.disk.aside(self._keeper.take_anew, _as_frozen(inventory))
        self._pending.pop((peer.fingerprint, head.roll_id), None)
        return None

    def _take_again(self, peer: PeerIdentity, head: Offer, row: RollRow) -> None:
        now = self._ports.clock.utc_ms()
        with self._journal.write() as db:
            if row.held is not None:
                rolls.release(db, row.roll_id, now_utc_ms=now)
            if row.peer != peer.name:
                rolls.set_peer(db, row.roll_id, peer.name)
            if (row.rank, row.needed_by_utc_ms) != (head.rank, head.needed_by_utc_ms):
                rolls.set_order(
                    db,
                    row.roll_id,
                    rank=head.rank,
                    needed_by_utc_ms=head.needed_by_utc_ms,
                    now_utc_ms=now,
                )

    def _collected(self, peer: PeerIdentity, head: Offer) -> Inventory | None:
        """Return the inventory if all its pages are here; else make room for them."""
        key = (peer.fingerprint, head.roll_id)
        pending = self._pending.get(key)
        if pending is None or _shape(pending.head) != _shape(head):
            self._make_room(peer, head)
            self._pending[key] = _Pending(head)
            return None
        if len(pending.files) < head.file_count:
            return None
        try:
            return _checked(head, pending.files)
        except PeerRefusedError:
            del self._pending[key]  # the next offer is asked for its inventory anew
            raise

    def _make_room(self, peer: PeerIdentity, head: Offer) -> None:
        if head.file_count > ROLL_FILES_MAX:
            raise PeerRefusedError(
                f"{head.day}/{head.name} has {head.file_count} files, above {ROLL_FILES_MAX}.",
                remedy="Hand it over as several rolls.",
            )
        mine = [key for key in self._pending if key[0] == peer.fingerprint]
        for key in mine[: max(0, len(mine) - PENDING_PER_PEER_MAX + 1)]:
            del self._pending[key]

    async def _answer_new(
        self, peer: PeerIdentity, head: Offer, inventory: Inventory
    ) -> OfferAnswer:
        """Decide on a roll whose id is not known; its name may be."""
        await self._ports.disk.aside(self._drop_replaced, peer, head)
        found = await self._compare(head.roll_id, inventory)
        if found is None:
            waiting = "compared with what has this name or this content on the storage"
            return OfferAnswer(kind=OfferKind.WAIT, message=waiting)
        inventory, there = _as_frozen(inventory), _as_frozen(found.there)
        match found.comparison:
            case Comparison.ABSENT:
                await self._ports.disk.aside(self._accept, peer, head, inventory)
                lacking = await self._keeper.lacking(inventory.roll_id)
                self._pending.pop((peer.fingerprint, head.roll_id), None)
                return OfferAnswer(kind=OfferKind.TAKE, lacking=lacking)
            case Comparison.SAME:
                await self._ports.disk.aside(self._note_same, peer, inventory, there)
                self._pending.pop((peer.fingerprint, head.roll_id), None)
                return have(target_of(there))
            case Comparison.NEEDS_DIGESTS:
                return OfferAnswer(kind=OfferKind.DIGESTS, message="send digests to compare by")
        self._pending.pop((peer.fingerprint, head.roll_id), None)
        return refusal(await self._ports.disk.aside(self._taken, inventory))

    async def _compare(self, roll_id: str, inventory: Inventory) -> _Found | None:
        """Compare beside the loop; None while that still runs, so that nobody waits on a call."""
        rival = await self._ports.disk.aside(self._rival, roll_id, inventory)
        if rival is not None:
            # Perhaps the same content under other evidence: then it is told once that has landed.
            is_same = await self._ports.disk.aside(self._may_be_same, rival, inventory)
            return None if is_same else _Found(Comparison.DIFFERENT, inventory)
        key = f"{roll_id} {inventory.roll_id}"
        task = self._comparisons.get(key)
        if task is None:
            work = self._ports.disk.aside(self._look_for, inventory)
            task = asyncio.ensure_future(work)
            self._comparisons[key] = task
        await asyncio.wait([task], timeout=1.0)
        if not task.done():
            return None
        self._comparisons.pop(key, None)  # the same offer may be asked twice at a time
        return task.result()

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

    def _rival(self, roll_id: str, inventory: Inventory) -> RollRow | None:
        """Return another unfinished roll of the same name, if there is one.

        One that was only found on the storage, and that nobody brings, bars no other's way.
        Raises HeldError(name-unsafe) if one is under way whose name would become one with this.
        """
        with self._journal.read() as db:
            found = rolls.find(db, f"{inventory.day}/{inventory.name}")
            under_way = rolls.unfinished(db, Origin.PEER)
        apart = self._keeper.unclaimed | {roll_id}
        others = [row for row in found if row.origin is Origin.PEER and row.roll_id not in apart]
        rival = next((row for row in others if is_before(row.stage, Stage.LANDED)), None)
        for row in () if rival is not None else under_way:
            if row.roll_id not in apart and is_before(row.stage, Stage.LANDED):
                refuse_twin_of(inventory, f"{row.day}/{row.name}" if row.day else row.name)
        return rival

    def _taken(self, inventory: Inventory) -> HeldError:
        """Say what has this roll's name on the storage. Raises HeldError if that is absent."""
        try:
            return name_offered_twice(self._area.present(), inventory)
        except OSError as error:
            raise storage_trouble(self._area.path, error) from error

    def _drop_replaced(self, peer: PeerIdentity, head: Offer) -> None:
        """Give up unfinished rolls of this peer whose source this roll has replaced."""
        for roll_id in head.replaces:
            with self._journal.read() as db:
                row = rolls.get(db, roll_id)
            if row is None or row.origin is not Origin.PEER or row.peer != peer.name:
                continue
            if row.same_as is None and is_before(row.stage, Stage.LANDED):
                self._keeper.give_up(roll_id)

    def _may_be_same(self, other: RollRow, inventory: Inventory) -> bool:
        """Tell whether two rolls may have the same content, as far as the journal knows."""
        with self._journal.read() as db:
            return may_be_same_media(rolls.load_inventory(db, other.roll_id), inventory)

    def _accept(self, peer: PeerIdentity, head: Offer, inventory: Inventory) -> None:
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
        now = self._ports.clock.utc_ms()
        offered = f"{target_of(inventory)} ({inventory.roll_id})"
        with self._journal.write() as db:
            same.add_same(db, inventory, other, peer=peer.name, now_utc_ms=now)
            text = "the same content was there already; compared by reading the storage"
            rolls.note(db, inventory.roll_id, text, now_utc_ms=now)
            text = f"offered again by {peer.name} as {offered}, with other evidence; it is one roll"
            rolls.note(db, other.roll_id, text, now_utc_ms=now)


def _shape(head: Offer) -> tuple[object, ...]:
    """Return what pages must fit; a roll's evidence may be another one than it was before."""
    counts = head.file_count, head.total_bytes, head.parcel_count
    return *counts, head.trust, head.empty_folders, head.evidence


def _checked(head: Offer, files: Iterable[FileEntry]) -> Inventory:
    """Build the inventory a peer described. Raises PeerRefusedError if it is not what it says."""
    inventory = inventory_of(head, files)
    says = (head.roll_id, head.total_bytes, head.parcel_count, head.evidence)
    counts = inventory.total_bytes, ParcelPlan(inventory).count
    mark = inventory.evidence_mark if head.evidence else b""
    if says != (_as_frozen(inventory).roll_id, *counts, mark):
        raise PeerRefusedError(
            f"The inventory of {head.day}/{head.name} does not give the roll id it was offered by.",
            remedy="Offer the roll again; if it repeats, run the same version on both boxes.",
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


def refusal(error: HeldError) -> OfferAnswer:
    """Say no, with the reason for which the roll is to be held."""
    return OfferAnswer(
        kind=OfferKind.REFUSE,
        code=error.code.value,
        message=str(error).strip(),
        path=error.path or "",
    )
