"""Reading back: the stored bytes, past the page cache, against what the evidence says.

Owns: the comparison, and naming what is wrong: file, ranges, both digests, and which side.
Must not: repair or record; keeper.py does.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from syncd.journal.parcels import Proof
from syncd.limits import PARCEL_BYTES_MAX, READ_BYTES
from syncd.ports import OpenFile, ReadLevel
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry
from syncd.storage.hashing import FileHashers, piece_hasher
from syncd.storage.layout import stored_path
from syncd.storage.reading import read_buffer, read_bytes
from syncd.storage.receiving import ReceivingRoll
from syncd.storage.troubles import storage_trouble

assert PARCEL_BYTES_MAX % READ_BYTES == 0, "a read never crosses a piece"


@dataclass(frozen=True, slots=True)
class BadRange:
    """One piece of a file that is not on the storage as it was received."""

    offset_bytes: int
    length_bytes: int
    expected: bytes
    found: bytes


@dataclass(frozen=True, slots=True)
class Damage:
    """A file that did not prove good.

    side: "storage" if some piece differs from what was received; "source" if all are as received
        and the evidence still says otherwise.
    expected, found: of the whole file; None if it has no evidence of its own.
    parcels: what must travel again.
    is_longer: it has more bytes than it should; writing it again would leave the tail.
    """

    file_index: int
    path: str
    size_bytes: int
    ranges: tuple[BadRange, ...]
    side: str
    expected: Digest | None
    found: Digest | None
    parcels: tuple[int, ...]
    is_longer: bool

    def describe(self) -> str:
        """Name everything that is known, for a person."""
        if self.ranges:
            spans = ", ".join(
                f"bytes {r.offset_bytes} to {r.offset_bytes + r.length_bytes} "
                f"({r.expected.hex()} received, {r.found.hex()} read back)"
                for r in self.ranges
            )
        else:
            spans = f"bytes 0 to {self.size_bytes} are as received"
        whole = ""
        if self.expected is not None and self.found is not None:
            whole = f"; the evidence says {self.expected}, read back {self.found}"
        return f"{self.path}: {spans}{whole}. The {self.side} side is wrong."


def prove_files(
    roll: ReceivingRoll, file_indexes: Sequence[int]
) -> Iterator[tuple[int, Proof | Damage | None]]:
    """Read durable files back, compare each, and yield it; None: it is not there at all.

    Raises HeldError.
    """
    files = roll.inventory.files
    # One for all: making a buffer takes longer than reading a small file into it.
    buffer = read_buffer(roll.area.disk, max(files[index].size_bytes for index in file_indexes))
    for index in file_indexes:
        yield index, _prove(roll, index, buffer)


def _prove(roll: ReceivingRoll, file_index: int, buffer: memoryview) -> Proof | Damage | None:
    entry = roll.inventory.files[file_index]
    folder = roll.area.folder()
    path = stored_path(roll.roll_id, entry)
    try:
        file = folder.open_read(path, past_cache=True)
        try:
            found = read_found(entry, file, buffer)
            return _compare(roll, file_index, found, file.read_level, file.opened.changed_ns)
        finally:
            file.close()
    except FileNotFoundError:
        roll.area.present()  # if it is the whole storage that is gone, that is another matter
        return None
    except OSError as error:
        roll.area.doubt()
        raise storage_trouble(roll.area.path, error, entry.path) from error


@dataclass(frozen=True, slots=True)
class Found:
    """What the storage holds of one file: digests of its pieces, and of all of it."""

    size_bytes: int
    pieces: tuple[bytes, ...]
    whole: tuple[Digest, ...]


def read_found(entry: FileEntry, file: OpenFile, buffer: memoryview) -> Found:
    """Read the file once, to its real end."""
    buffer = buffer[: read_bytes(entry.size_bytes)]
    algorithms = dict.fromkeys(digest.algorithm for digest in entry.digests)
    whole = FileHashers([*algorithms, Algorithm.XXH128])
    has_pieces = entry.size_bytes > PARCEL_BYTES_MAX
    piece = piece_hasher()
    pieces: list[bytes] = []
    offset = 0
    while True:
        count = file.read_into(buffer, offset)
        whole.update(buffer[:count])
        if has_pieces:
            piece.update(buffer[:count])
        offset += count
        is_end = count < len(buffer)
        if has_pieces and (is_end or offset % PARCEL_BYTES_MAX == 0):
            pieces.append(piece.digest())
            piece = piece_hasher()
        if is_end:
            break
    digests = whole.digests()
    if not has_pieces:
        pieces = [digest.value for digest in digests if digest.algorithm is Algorithm.XXH128]
    return Found(offset, tuple(pieces), digests)


def _compare(
    roll: ReceivingRoll, file_index: int, found: Found, level: ReadLevel, changed_ns: int
) -> Proof | Damage:
    entry = roll.inventory.files[file_index]
    by_algorithm = {digest.algorithm: digest for digest in found.whole}
    numbers = roll.plan.parcels_of_file(file_index)
    bad = []
    for place, number in enumerate(numbers):
        expected = roll.piece_digest(number, file_index)
        actual = found.pieces[place] if place < len(found.pieces) else b""
        if expected != actual:
            bad.append((number, bad_range(entry, place, expected, actual)))
    wrong = [d for d in entry.digests if by_algorithm[d.algorithm] != d]
    if not bad and not wrong and found.size_bytes == entry.size_bytes:
        return Proof(tuple(by_algorithm.values()), level, changed_ns)
    told = wrong[0] if wrong else next(iter(entry.digests), None)
    is_longer = found.size_bytes > entry.size_bytes
    return Damage(
        file_index,
        entry.path,
        entry.size_bytes,
        tuple(each for _, each in bad),
        "storage" if bad or is_longer else "source",
        told,
        by_algorithm[told.algorithm] if told else None,
        tuple(number for number, _ in bad) if bad and not is_longer else tuple(numbers),
        is_longer,
    )


def bad_range(entry: FileEntry, place: int, expected: bytes, actual: bytes) -> BadRange:
    """Return the piece at that place of a file, with both its digests."""
    offset = place * PARCEL_BYTES_MAX
    return BadRange(offset, min(PARCEL_BYTES_MAX, entry.size_bytes - offset), expected, actual)
