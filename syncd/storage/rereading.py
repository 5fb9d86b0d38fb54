"""One published file, read again past the page cache and compared with what was published.

Owns: naming what is wrong with it: the range, both digests, and that it is the storage.
Must not: change anything there (promise 2), or decide what becomes of the roll.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from syncd.counted import counted, named
from syncd.errors import HeldError
from syncd.ports import Disk, EntryKind, Folder
from syncd.roll.digests import Digest
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode
from syncd.storage.layout import file_at, target_of
from syncd.storage.proving import BadRange, Found, bad_range, read_found
from syncd.storage.reading import read_buffer

RANGES_NAMED_MAX = 5
PIECE_DIGEST_BYTES = 16


@dataclass(frozen=True, slots=True)
class Proved:
    """What a published file must be.

    kept: the digests that it had when it was published. pieces: the XXH128 of each piece of it as
    it was received, b"" where that is not known any more.
    """

    entry: FileEntry
    kept: tuple[Digest, ...]
    pieces: tuple[bytes, ...]


def why_wrong(disk: Disk, folder: Folder, path: str, proved: Proved) -> str:
    """Read the file at path; return what is wrong with it, "" if nothing is. Raises OSError."""
    entry = proved.entry
    there = file_at(folder, path)
    if there is None:
        return "it is missing"
    if there.kind is not EntryKind.FILE:
        return "it is no regular file any more"
    file = folder.open_read(path, past_cache=True)
    try:
        found = read_found(entry, file, read_buffer(disk, file.size_bytes()))
    finally:
        file.close()
    if found.size_bytes != entry.size_bytes:
        return f"it has {counted(found.size_bytes, 'byte')}, not {entry.size_bytes:,}"
    by_algorithm = {digest.algorithm: digest for digest in found.whole}
    wrong = [d for d in (*entry.digests, *proved.kept) if by_algorithm.get(d.algorithm, d) != d]
    ranges = _ranges(entry, proved.pieces, found)
    if not wrong and not ranges:
        return ""
    spans = _spans(entry, ranges)
    if not wrong:
        return spans
    return f"{spans}; {wrong[0]} expected, {by_algorithm[wrong[0].algorithm]} read"


def _ranges(entry: FileEntry, pieces: tuple[bytes, ...], found: Found) -> list[BadRange]:
    return [
        bad_range(entry, place, expected, actual)
        for place, (expected, actual) in enumerate(zip(pieces, found.pieces, strict=False))
        if expected and expected != actual
    ]


def _spans(entry: FileEntry, ranges: list[BadRange]) -> str:
    if not ranges:
        return f"bytes 0 to {entry.size_bytes}"
    spans = [
        f"bytes {each.offset_bytes} to {each.offset_bytes + each.length_bytes} "
        f"({each.expected.hex()} received, {each.found.hex()} read back)"
        for each in ranges
    ]
    return named(spans, RANGES_NAMED_MAX)


def pieces_of(
    plan: ParcelPlan, file_index: int, digests_of: Callable[[range], Mapping[int, bytes]]
) -> tuple[bytes, ...]:
    """Return the digests with which the pieces of a file were received, b"" for unknown ones.

    digests_of: gives 16 bytes for each piece of those parcels that are known.
    """
    numbers = plan.parcels_of_file(file_index)
    known = digests_of(numbers)
    found = []
    for number in numbers:
        start = (file_index - plan.pieces(number)[0].file_index) * PIECE_DIGEST_BYTES
        found.append(known.get(number, b"")[start : start + PIECE_DIGEST_BYTES])
    return tuple(found)


def found_wrong(inventory: Inventory, path: str, reason: str, box: str) -> HeldError:
    """Say that a published file is not what it was; nobody but a person puts that right."""
    target = target_of(inventory)
    return HeldError(
        HeldCode.READ_BACK_MISMATCH,
        f"{target}: {path} on the storage of {box} is not what was published: {reason}. The "
        "storage side is wrong; nothing is written over it.",
        remedy="Look at the disks, bring the file back from another copy, then `syncd go "
        f"{target}` on {box}. {hand_over_anew(target)} Do not clear the card.",
        path=path,
    )


def hand_over_anew(target: str) -> str:
    """Say what helps where no other copy of a published file is left."""
    return (
        f"If there is none, move {target} away on the storage, wait until the roll is said to be "
        f"gone, then `syncd go {target}` on the box that offloads it: it is handed over anew."
    )
