"""The inventory of a published roll, page by page, for whoever fetches it.

Owns: what a page is, and that one costs what a page is: all files of a roll are looked at for the
first page that is asked for, and again only once the roll was published anew.
Must not: say anything of a roll that editorial may not see; see published.py.
"""

import threading
from dataclasses import dataclass, replace

from syncd.errors import PeerRefusedError
from syncd.handoff.outgoing import offer_for, pages
from syncd.handoff.published import is_served
from syncd.journal import paging, rolls
from syncd.journal.journal import Connection, Journal
from syncd.journal.paging import Places
from syncd.journal.rolls import RollRow
from syncd.limits import INVENTORY_PAGE_FILES, PAGED_BYTES_MAX
from syncd.roll.parcels import ParcelPlan
from syncd.wire.messages import InventoryAnswer, InventoryQuestion, Offer

_BARE_BYTES = 2048  # of one roll beside its folders and places


@dataclass(frozen=True, slots=True)
class _Known:
    """What is known of a roll; stamp: of how it was published. head: of the order of then."""

    stamp: bytes
    head: Offer
    places: Places

    @property
    def size_bytes(self) -> int:
        folders = sum(len(path.encode()) + 64 for path in self.head.empty_folders)
        return _BARE_BYTES + folders + self.places.size_bytes


class Paging:
    """Answers with pages; remembers of the rolls that were asked for last how they are cut."""

    def __init__(self, journal: Journal, own_name: str) -> None:
        self._journal = journal
        self._own_name = own_name
        self._lock = threading.Lock()
        self._known: dict[str, _Known] = {}

    def answer(self, question: InventoryQuestion) -> InventoryAnswer:
        """Return one page of a roll as it stands on the storage. Blocks.

        Raises PeerRefusedError if it cannot be fetched.
        """
        with self._journal.read() as db:
            row = rolls.get(db, question.roll_id)
            if row is None or not is_served(row):
                raise PeerRefusedError(
                    f"No ready roll has the id {question.roll_id}.",
                    remedy="List the rolls again; only ready rolls can be fetched.",
                )
            if row.held is not None:
                raise PeerRefusedError(
                    f"{row.day}/{row.name} is held on {self._own_name}: {row.held.message}",
                    remedy="Fetch it again once that is mended there.",
                )
            known = self._know(db, row)
            limit = INVENTORY_PAGE_FILES
            files = paging.files_from(db, row.roll_id, known.places, question.first, limit)
        _, files = next(pages(files), (0, ()))
        head = replace(known.head, rank=row.rank, needed_by_utc_ms=row.needed_by_utc_ms)
        more = question.first + len(files) < head.file_count
        return InventoryAnswer(head=head, first=question.first, files=files, more=more)

    def _know(self, db: Connection, row: RollRow) -> _Known:
        stamp = paging.stamp(db, row.roll_id)
        with self._lock:
            known = self._known.pop(row.roll_id, None)
            if known is not None and known.stamp == stamp:
                self._known[row.roll_id] = known  # as the one that was asked for last
                return known
        frozen = rolls.load_inventory(db, row.roll_id)
        published = rolls.as_published(db, row.roll_id, frozen)
        head = offer_for(row.roll_id, published, ParcelPlan(published), row)
        known = _Known(stamp, head, paging.places_of(frozen, published))
        self._keep(row.roll_id, known)
        return known

    def _keep(self, roll_id: str, known: _Known) -> None:
        with self._lock:
            self._known[roll_id] = known
            size_bytes = sum(each.size_bytes for each in self._known.values())
            while size_bytes > PAGED_BYTES_MAX and len(self._known) > 1:
                size_bytes -= self._known.pop(next(iter(self._known))).size_bytes
