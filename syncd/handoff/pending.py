"""Inventories on their way in, page by page: what of them is kept, and for how long.

Owns: that no peer makes them take more than one large roll's memory, and that what nobody goes on
with is forgotten. Must not: judge an inventory; see offers.py.
"""

from dataclasses import dataclass, field

from syncd.errors import PeerRefusedError, UnfitError
from syncd.handoff.outgoing import UNFIT_REMEDY
from syncd.limits import (
    PENDING_KEPT_S,
    PENDING_PER_PEER_MAX,
    PENDING_TEXT_BYTES_MAX,
    ROLL_FILES_MAX,
)
from syncd.ports import Clock
from syncd.roll.inventory import FileEntry
from syncd.roll.names import shown
from syncd.wire.messages import InventoryPage, Offer, PeerIdentity


@dataclass(slots=True)
class _Pending:
    """One inventory. text_bytes: of its paths and digests."""

    head: Offer
    touched_s: float
    files: list[FileEntry] = field(default_factory=list)
    text_bytes: int = 0

    def clear(self) -> None:
        self.files.clear()
        self.text_bytes = 0


class PendingInventories:
    """Those of all peers, each known by its peer and roll id."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._pending: dict[tuple[str, str], _Pending] = {}

    def take_page(self, peer: PeerIdentity, page: InventoryPage) -> None:
        """Keep one page of an inventory that was asked for; a page come twice counts once.

        Raises PeerRefusedError; UnfitError, which is one, if no such page is sent.
        """
        pending = self._pending.get((peer.fingerprint, page.roll_id))
        if pending is None:
            raise PeerRefusedError(
                f"Nobody asked for the inventory of {page.roll_id}.", remedy="Offer the roll first."
            )
        pending.touched_s = self._clock.monotonic_s()
        if page.first == 0:
            pending.clear()
        if page.first == len(pending.files):
            pending.files += page.files
            pending.text_bytes += sum(text_bytes(entry) for entry in page.files)
        if len(pending.files) > pending.head.file_count:
            pending.clear()
            raise UnfitError(
                f"The inventory of {page.roll_id} has more files than were offered.",
                remedy=UNFIT_REMEDY,
            )
        self._keep_within(peer, pending)

    def collected(self, peer: PeerIdentity, head: Offer) -> tuple[FileEntry, ...] | None:
        """Return the files of a roll if all its pages are here; else make room for them.

        Raises UnfitError if it has too many.
        """
        key = (peer.fingerprint, head.roll_id)
        pending = self._pending.get(key)
        if pending is None or _shape(pending.head) != _shape(head):
            self._make_room(peer, head)
            self._pending[key] = _Pending(head, self._clock.monotonic_s())
            return None
        if len(pending.files) < head.file_count:
            return None
        return tuple(pending.files)

    def forget(self, peer: PeerIdentity, roll_id: str) -> None:
        """Keep an inventory no longer: it was taken, or is wrong."""
        self._pending.pop((peer.fingerprint, roll_id), None)

    def _make_room(self, peer: PeerIdentity, head: Offer) -> None:
        if head.file_count > ROLL_FILES_MAX:
            name = shown(f"{head.day}/{head.name}")
            raise UnfitError(
                f"{name} has {head.file_count} files, above {ROLL_FILES_MAX}.",
                remedy="Hand it over as several rolls.",
            )
        since_s = self._clock.monotonic_s() - PENDING_KEPT_S
        for key in [key for key, each in self._pending.items() if each.touched_s < since_s]:
            del self._pending[key]
        mine = [key for key in self._pending if key[0] == peer.fingerprint]
        for key in mine[: max(0, len(mine) - PENDING_PER_PEER_MAX + 1)]:
            del self._pending[key]

    def _keep_within(self, peer: PeerIdentity, current: _Pending) -> None:
        """Forget this peer's others, oldest first, as far as it takes; then refuse this one."""
        mine = [key for key in self._pending if key[0] == peer.fingerprint]
        for key in (*[key for key in mine if self._pending[key] is not current], None):
            kept = [each for k, each in self._pending.items() if k[0] == peer.fingerprint]
            files = sum(len(each.files) for each in kept)
            if files <= ROLL_FILES_MAX and _total_text(kept) <= PENDING_TEXT_BYTES_MAX:
                return
            if key is not None:
                del self._pending[key]
        current.clear()
        name = shown(f"{current.head.day}/{current.head.name}")
        raise UnfitError(
            f"The names in the inventory of {name} take more than {PENDING_TEXT_BYTES_MAX} bytes.",
            remedy="Hand it over as several rolls.",
        )


def _total_text(kept: list[_Pending]) -> int:
    return sum(each.text_bytes for each in kept)


def text_bytes(entry: FileEntry) -> int:
    """Return how much of PENDING_TEXT_BYTES_MAX one file takes."""
    return len(entry.path.encode()) + sum(len(digest.value) for digest in entry.digests)


def _shape(head: Offer) -> tuple[object, ...]:
    """Return what pages must fit; a roll's evidence may be another one than it was before."""
    counts = head.file_count, head.total_bytes, head.parcel_count
    return *counts, head.trust, head.empty_folders, head.evidence
