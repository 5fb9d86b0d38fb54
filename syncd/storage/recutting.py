"""A roll that is under way, under other evidence: what came in of it, cut anew.

Owns: which parcels of the new cut are durable already, and which stored evidence is void.
Must not: touch the storage or the journal; steps.py does.

How a file is cut into pieces follows from its size alone, so pieces stay; only which small files
share a parcel depends on the others. A parcel is durable if all its pieces were.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from syncd.roll.inventory import FileEntry, FileKind, Inventory, ordered
from syncd.roll.parcels import ParcelPlan
from syncd.storage.hashing import PIECE_DIGEST_BYTES


@dataclass(frozen=True, slots=True)
class Recut:
    """What is left of what came in.

    inventory: the new one; what stays keeps the times under which it was stored.
    durable: parcels of the new cut that need not travel, with the digests of their pieces.
    file_indexes: new by old, of the files that stay. lacking: new, of those with a parcel lacking.
    void: evidence as it is stored that is no part of the roll any more.
    """

    inventory: Inventory
    durable: Mapping[int, bytes]
    file_indexes: Mapping[int, int]
    lacking: frozenset[int]
    void: tuple[FileEntry, ...]

    @property
    def durable_bytes(self) -> int:
        """Bytes that need not travel again."""
        plan = ParcelPlan(self.inventory)
        return sum(plan.length_bytes(number) for number in self.durable)


def recut(before: Inventory, after: Inventory, durable: Mapping[int, bytes]) -> Recut:
    """Cut a roll anew of which before was coming in; durable: its parcels, 16 bytes per piece."""
    assert before.roll_id == after.roll_id, "the media are the same"
    stored = {_what(entry): entry for entry in before.files}
    files = ordered(stored.get(_what(entry), entry) for entry in after.files)
    inventory = replace(after, files=files)
    index_of = {_what(entry): index for index, entry in enumerate(files)}
    file_indexes = {
        old: index_of[_what(entry)]
        for old, entry in enumerate(before.files)
        if _what(entry) in index_of
    }
    pieces = _pieces(ParcelPlan(before), durable, file_indexes)
    plan = ParcelPlan(inventory)
    kept: dict[int, bytes] = {}
    lacking: set[int] = set()
    for number in range(plan.count):
        places = [(piece.file_index, piece.offset_bytes) for piece in plan.pieces(number)]
        if all(place in pieces for place in places):
            kept[number] = b"".join(pieces[place] for place in places)
        else:
            lacking.update(index for index, _ in places)
    void = tuple(entry for old, entry in enumerate(before.files) if old not in file_indexes)
    return Recut(inventory, kept, file_indexes, frozenset(lacking), void)


def _what(entry: FileEntry) -> tuple[object, ...]:
    """Return what makes two entries the same file; of media, the roll's id has the digests."""
    digests = entry.digests if entry.kind is FileKind.EVIDENCE else ()
    return entry.path, entry.kind, entry.size_bytes, digests


def _pieces(
    plan: ParcelPlan, durable: Mapping[int, bytes], file_indexes: Mapping[int, int]
) -> dict[tuple[int, int], bytes]:
    """Return the digests of what is durable, by new file index and offset."""
    found: dict[tuple[int, int], bytes] = {}
    for number, digests in durable.items():
        for place, piece in enumerate(plan.pieces(number)):
            if piece.file_index in file_indexes:
                start = place * PIECE_DIGEST_BYTES
                where = file_indexes[piece.file_index], piece.offset_bytes
                found[where] = digests[start : start + PIECE_DIGEST_BYTES]
    return found
