"""One roll on its way out: its inventory, its source, and how it is offered.

Owns: the offer's shape, the pages of the inventory, the parcels that an answer asks for, and the
inventory that a peer's offer and pages describe. Must not: decide which roll comes first.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from syncd.errors import PeerRefusedError, UnfitError
from syncd.handoff.untouched import FileWatch
from syncd.journal.rolls import RollRow
from syncd.limits import INVENTORY_PAGE_BYTES, INVENTORY_PAGE_FILES, ROLL_PARCELS_MAX
from syncd.ports import PeerCalls
from syncd.roll.inventory import FileEntry, Inventory, Trust
from syncd.roll.names import check_names, check_top, shown
from syncd.roll.parcels import ParcelPlan, from_bitmap, parcel_count
from syncd.wire.messages import InventoryPage, Offer, OfferAnswer, OfferKind

# Said to both boxes. A name is not to be mended on the source for this: a box that is as it should
# be holds such a roll itself, and says what to do.
UNFIT_REMEDY = (
    "A box with this version of syncd offers no such roll: run the same version on both boxes. If "
    "that is so already, find out what runs on the box that offers it."
)


@dataclass(frozen=True, slots=True)
class Outgoing:
    """A roll that is handed over: what it consists of, how it is cut, where it lies.

    roll_id: fixed when the roll was frozen; a settled roll that is hashed later keeps it.
    released: a person let it go on after it was held.
    replaces: rolls that rest in favour of this one, which lies in their folder now.
    edition: of the journal's inventory; another one there means that this was opened too early.
    evidence: what parcels say that they were cut from, where the inventory may be replaced.
    watch: over files that have no evidence. anew: those of them to be sent from their beginning.
    left_out: what of its folder does not travel, as this box says it.
    """

    roll_id: str
    inventory: Inventory
    plan: ParcelPlan
    source_path: str
    released: bool = False
    replaces: tuple[str, ...] = ()
    edition: int = 0
    evidence: bytes = b""
    watch: FileWatch | None = None
    anew: tuple[str, ...] = ()
    left_out: str = ""


def offer_for(
    roll_id: str,
    inventory: Inventory,
    plan: ParcelPlan,
    row: RollRow | None,
    *,
    released: bool = False,
    replaces: tuple[str, ...] = (),
    state: bytes = b"",
    anew: tuple[str, ...] = (),
    left_out: str = "",
) -> Offer:
    """Describe a roll in one message; the files follow in pages if the peer asks for them."""
    return Offer(
        roll_id=roll_id,
        day=inventory.day,
        name=inventory.name,
        trust=inventory.trust,
        file_count=len(inventory.files),
        total_bytes=inventory.total_bytes,
        parcel_count=plan.count,
        empty_folders=inventory.empty_folders,
        rank=row.rank if row else 100,
        needed_by_utc_ms=row.needed_by_utc_ms if row else None,
        released=released,
        replaces=replaces,
        evidence=inventory.evidence_mark,
        state=state,
        anew=anew,
        left_out=left_out,
    )


def inventory_of(head: Offer, files: Sequence[FileEntry]) -> Inventory:
    """Build the inventory that a peer describes, from its head and files.

    Raises UnfitError if it is malformed, is not as large as head says, or has a name that nobody
    may be given. Whether it gives the id it was offered by is the caller's to compare.
    """
    name = shown(f"{head.day}/{head.name}")
    _check_amounts(head, files, name)
    try:
        inventory = Inventory(
            head.day, head.name, tuple(files), tuple(head.empty_folders), Trust(head.trust)
        )
    except ValueError as error:
        raise UnfitError(
            f"The inventory of {name} is malformed: {error}.", remedy=UNFIT_REMEDY
        ) from error
    if not head.day or "/" in head.day or "/" in head.name:
        raise UnfitError(f"A day and a roll are one folder each, not {name}.", remedy=UNFIT_REMEDY)
    problems = check_top(head.day, head.name) or check_names(
        (f"{head.day}/{head.name}/{entry.path}" for entry in inventory.files),
        folders=[f"{head.day}/{head.name}/{path}" for path in inventory.empty_folders],
    )
    if problems:
        raise UnfitError(problems[0].problem, remedy=UNFIT_REMEDY)
    return inventory


def _check_amounts(head: Offer, files: Sequence[FileEntry], name: str) -> None:
    """Raise UnfitError if sizes are not what head says, or make more parcels than a roll may have.

    Only computed: until this is so, nothing may grow with a size that a peer wrote.
    """
    sizes = [entry.size_bytes for entry in files]
    count = parcel_count(sizes)
    if count > ROLL_PARCELS_MAX:
        raise UnfitError(
            f"{name} would be {count} parcels, above {ROLL_PARCELS_MAX}.",
            remedy="Hand it over as several rolls.",
        )
    if (head.file_count, head.total_bytes, head.parcel_count) != (len(files), sum(sizes), count):
        raise UnfitError(
            f"The inventory of {name} does not give the files, bytes and parcels it was offered "
            "with.",
            remedy=UNFIT_REMEDY,
        )


def pages(
    files: tuple[FileEntry, ...], first: int = 0
) -> Iterator[tuple[int, tuple[FileEntry, ...]]]:
    """Cut files, from index first on, into pages that fit a control message: (index, files)."""
    page: list[FileEntry] = []
    filled = 0
    start = first
    for index in range(first, len(files)):
        entry = files[index]
        size = _plain_bytes(entry)
        if page and (filled + size > INVENTORY_PAGE_BYTES or len(page) == INVENTORY_PAGE_FILES):
            yield start, tuple(page)
            page, filled, start = [], 0, index
        page.append(entry)
        filled += size
    if page:
        yield start, tuple(page)


def _plain_bytes(entry: FileEntry) -> int:
    """Return an upper bound of what one entry takes in a message."""
    return len(entry.path.encode()) + 64 + sum(24 + len(d.value) for d in entry.digests)


async def offer(
    calls: PeerCalls, outgoing: Outgoing, row: RollRow | None, *, with_pages: bool = False
) -> OfferAnswer:
    """Offer a roll; hand over its inventory if the peer asks for that, or with_pages says so.

    Raises PeerUnreachableError or PeerRefusedError.
    """
    head = offer_for(
        outgoing.roll_id,
        outgoing.inventory,
        outgoing.plan,
        row,
        released=outgoing.released,
        replaces=outgoing.replaces,
        state=b"" if outgoing.watch is None else outgoing.evidence,
        anew=outgoing.anew,
        left_out=outgoing.left_out,
    )
    if not with_pages:
        answer: OfferAnswer = await calls.ask(head)
        if answer.kind is not OfferKind.INVENTORY:
            return answer
    for first, page in pages(outgoing.inventory.files):
        await calls.ask(InventoryPage(roll_id=outgoing.roll_id, first=first, files=page))
    again: OfferAnswer = await calls.ask(head)
    return again


def lacking_of(peer: str, answer: OfferAnswer, outgoing: Outgoing) -> set[int]:
    """Return the parcels that peer lacks of a roll. Raises PeerRefusedError if they cannot be."""
    try:
        return from_bitmap(answer.lacking, outgoing.plan.count)
    except ValueError as error:
        name = f"{outgoing.inventory.day}/{outgoing.inventory.name}"
        raise PeerRefusedError(
            f"What {peer} lacks of {name} cannot be right: {error}.",
            remedy="Run the same version of syncd on both boxes, then `syncd go` the roll.",
        ) from error
