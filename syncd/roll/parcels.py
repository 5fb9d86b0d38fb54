"""The parcel rule: how a roll is cut for sending. Both ends compute the same cut.

In inventory order: a file larger than a parcel gets parcels of its own, cut at multiples of
16 MiB; smaller files share parcels, filled in order until the next file would pass 16 MiB or
1,024 pieces. Files without bytes are pieces of length 0, so that they are confirmed like others.
"""

from bisect import bisect_right
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
class _Run:
    """Parcels that follow each other: files first_file to last_file in one, or one large file.

    first_number, count: which numbers they have. length_bytes: of all of them.
    """

    first_number: int
    count: int
    first_file: int
    last_file: int
    length_bytes: int


class ParcelPlan:
    """The parcels of one roll, numbered from 0. Takes memory by the files, whatever their sizes."""

    def __init__(self, inventory: Inventory) -> None:
        self._sizes = [entry.size_bytes for entry in inventory.files]
        self._runs = list(_runs(self._sizes))
        self._first_numbers = [run.first_number for run in self._runs]
        self._first_parcel = [0] * len(self._sizes)
        for run in self._runs:
            for index in range(run.first_file, run.last_file + 1):
                self._first_parcel[index] = run.first_number

    @property
    def count(self) -> int:
        """How many parcels there are."""
        return self._runs[-1].first_number + self._runs[-1].count if self._runs else 0

    def length_bytes(self, number: int) -> int:
        """Bytes of parcel number. Raises IndexError if there is none."""
        run = self._run(number)
        return min(PARCEL_BYTES_MAX, run.length_bytes - _offset_bytes(run, number))

    def pieces(self, number: int) -> tuple[Piece, ...]:
        """Return parcel number as pieces, in the order in which their bytes travel.

        Raises IndexError if there is none.
        """
        run = self._run(number)
        if run.first_file == run.last_file:
            offset_bytes = _offset_bytes(run, number)
            return (Piece(run.first_file, offset_bytes, self.length_bytes(number)),)
        return tuple(
            Piece(index, 0, self._sizes[index])
            for index in range(run.first_file, run.last_file + 1)
        )

    def parcels_of_file(self, file_index: int) -> range:
        """Return the numbers of the parcels that carry a file."""
        first = self._first_parcel[file_index]
        return range(first, first + max(1, _parcels_of(self._sizes[file_index])))

    def _run(self, number: int) -> _Run:
        if not 0 <= number < self.count:
            raise IndexError(f"there is no parcel {number}")
        return self._runs[bisect_right(self._first_numbers, number) - 1]


def parcel_count(sizes: Iterable[int]) -> int:
    """Return how many parcels files of these sizes make, without making anything of them."""
    return sum(run.count for run in _runs(sizes))


def _runs(sizes: Iterable[int]) -> Iterator[_Run]:
    number, first, filled, index = 0, 0, 0, -1
    for index, size in enumerate(sizes):
        shared = index - first
        if shared and (filled + size > PARCEL_BYTES_MAX or shared == PARCEL_PIECES_MAX):
            yield _Run(number, 1, first, index - 1, filled)
            number, first, filled = number + 1, index, 0
        if size > PARCEL_BYTES_MAX:
            yield _Run(number, _parcels_of(size), index, index, size)
            number, first = number + _parcels_of(size), index + 1
            continue
        filled += size
    if first <= index:
        yield _Run(number, 1, first, index, filled)


def _parcels_of(size_bytes: int) -> int:
    """Return how many parcels a file fills, the last one perhaps in part."""
    return -(-size_bytes // PARCEL_BYTES_MAX)


def _offset_bytes(run: _Run, number: int) -> int:
    """Return where a parcel begins within its run."""
    return (number - run.first_number) * PARCEL_BYTES_MAX


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
