"""The parcel rule: how a roll is cut for sending. Both ends compute the same cut.

In inventory order: a file larger than a parcel gets parcels of its own, cut at multiples of
16 MiB; smaller files share parcels, filled in order until the next file would pass 16 MiB or
1,024 pieces. Files without bytes are pieces of length 0, so that they are confirmed like others.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from syncd.limits import PARCEL_BYTES_MAX, PARCEL_PIECES_MAX
from syncd.roll.inventory import Inventory


@dataclass(frozen=True, slots=True)
class Piece:
    """A contiguous part of one file: what a digest covers.

    file_index: position in inventory.files.
    offset_bytes, length_bytes: the range within the file.
    """

    file_index: int
    offset_bytes: int
    length_bytes: int


@dataclass(frozen=True, slots=True)
class ParcelOrder:
    """One parcel that a lane is to move."""

    roll_id: str
    number: int


@dataclass(frozen=True, slots=True)
class _Cut:
    """One parcel, compactly: files first_file to last_file whole, or one range of one file."""

    first_file: int
    last_file: int
    offset_bytes: int
    length_bytes: int


class ParcelPlan:
    """The parcels of one roll, numbered from 0."""

    def __init__(self, inventory: Inventory) -> None:
        self._sizes = [entry.size_bytes for entry in inventory.files]
        self._cuts: list[_Cut] = list(_cut(self._sizes))
        self._first_parcel = [0] * len(self._sizes)
        for number in range(len(self._cuts) - 1, -1, -1):
            cut = self._cuts[number]
            for index in range(cut.first_file, cut.last_file + 1):
                self._first_parcel[index] = number

    @property
    def count(self) -> int:
        """How many parcels there are."""
        return len(self._cuts)

    def length_bytes(self, number: int) -> int:
        """Bytes of parcel number."""
        return self._cuts[number].length_bytes

    def pieces(self, number: int) -> tuple[Piece, ...]:
        """Return parcel number as pieces, in the order in which their bytes travel."""
        cut = self._cuts[number]
        if cut.first_file == cut.last_file:
            return (Piece(cut.first_file, cut.offset_bytes, cut.length_bytes),)
        return tuple(
            Piece(index, 0, self._sizes[index])
            for index in range(cut.first_file, cut.last_file + 1)
        )

    def parcels_of_file(self, file_index: int) -> range:
        """Return the numbers of the parcels that carry a file."""
        first = self._first_parcel[file_index]
        size = self._sizes[file_index]
        if size <= PARCEL_BYTES_MAX:
            return range(first, first + 1)
        return range(first, first + -(-size // PARCEL_BYTES_MAX))


def _cut(sizes: list[int]) -> Iterator[_Cut]:
    first, filled = 0, 0
    for index, size in enumerate(sizes):
        shared = index - first
        if shared and (filled + size > PARCEL_BYTES_MAX or shared == PARCEL_PIECES_MAX):
            yield _Cut(first, index - 1, 0, filled)
            first, filled = index, 0
        if size > PARCEL_BYTES_MAX:
            for offset in range(0, size, PARCEL_BYTES_MAX):
                yield _Cut(index, index, offset, min(PARCEL_BYTES_MAX, size - offset))
            first = index + 1
            continue
        filled += size
    if first < len(sizes):
        yield _Cut(first, len(sizes) - 1, 0, filled)


def to_bitmap(numbers: Iterable[int], count: int) -> bytes:
    """Write parcel numbers as bits: bit n of byte n // 8, lowest bit first."""
    bitmap = bytearray(-(-count // 8))
    for number in numbers:
        bitmap[number // 8] |= 1 << (number % 8)
    return bytes(bitmap)


def from_bitmap(bitmap: bytes, count: int) -> set[int]:
    """Read what to_bitmap wrote. Raises ValueError if the length does not fit count."""
    if len(bitmap) != -(-count // 8):
        raise ValueError(f"{count} parcels need {-(-count // 8)} bytes of bits, not {len(bitmap)}")
    return {number for number in range(count) if bitmap[number // 8] >> (number % 8) & 1}
