"""A roll cut anew under other evidence: what came in stays, and nothing else counts as there."""

import random

import pytest
import xxhash

from syncd.limits import MIB
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, FileKind, Inventory, ordered
from syncd.roll.parcels import ParcelPlan
from syncd.storage.recutting import recut

DAY = "2026-03-14_D12"


def media(path: str, size: int, mtime_ns: int = 1) -> FileEntry:
    """Return a media file."""
    return FileEntry(path, size, mtime_ns, (Digest(Algorithm.XXH64, bytes(8)),))


def listed(path: str, size: int, mark: int = 1, mtime_ns: int = 1) -> FileEntry:
    """Return a manifest or list with content that mark tells from others."""
    digest = Digest(Algorithm.XXH128, bytes([mark] * 16))
    return FileEntry(path, size, mtime_ns, (digest,), FileKind.EVIDENCE)


def roll_of(*files: FileEntry) -> Inventory:
    """Freeze a roll."""
    return Inventory(DAY, "A012", ordered(files))


def parcels_of(inventory: Inventory) -> dict[int, bytes]:
    """Return every parcel with a digest per piece that tells file, content and offset."""
    plan = ParcelPlan(inventory)
    return {
        number: b"".join(
            xxhash.xxh3_128_digest(
                f"{entry.path} {entry.digests} {piece.offset_bytes}".encode(),
            )
            for piece in plan.pieces(number)
            for entry in [inventory.files[piece.file_index]]
        )
        for number in range(plan.count)
    }


def test_only_what_shares_a_parcel_with_the_new_list_travels_again() -> None:
    """A large clip stays as a whole, wherever its parcels are numbered now."""
    clip, still = media("Clips/C001.mov", 40 * MIB), media("Stills/1.dpx", 100)
    before = roll_of(clip, still, listed("A012.md5", 50))
    after = roll_of(clip, still, listed("A012.md5", 50, mark=2), listed("B.md5", 9))
    cut = recut(before, after, parcels_of(before))

    assert cut.inventory == after
    assert sorted(cut.durable) == [1, 2, 3, 4]
    assert cut.durable == {n: d for n, d in parcels_of(after).items() if n in cut.durable}
    assert cut.durable_bytes == 40 * MIB + 100
    assert [after.files[index].path for index in sorted(cut.lacking)] == ["A012.md5", "B.md5"]
    assert [entry.path for entry in cut.void] == ["A012.md5"]


def test_what_stays_keeps_the_times_under_which_it_was_stored() -> None:
    """A file copied onto the source again has another time there, and the same content."""
    before = roll_of(media("C001.mov", 10), listed("A012.md5", 50), listed("B.md5", 9))
    again = roll_of(
        media("C001.mov", 10, mtime_ns=7),
        listed("A012.md5", 50, mtime_ns=7),
        listed("B.md5", 9, mark=2, mtime_ns=7),
    )
    cut = recut(before, again, {})

    assert [entry.mtime_ns for entry in cut.inventory.files] == [1, 7, 1]


@pytest.mark.parametrize("seed", range(40))
def test_whatever_changes_every_piece_that_counts_was_there(seed: int) -> None:
    """Many small files, lists before, between and after them: no digest is another file's."""
    rng = random.Random(seed)
    clips = [media(f"C{n:03}.mov", rng.randrange(40) * MIB // 4) for n in range(30)]

    def lists() -> list[FileEntry]:
        paths = rng.sample(["A.md5", "C010.md5", "C0205.md5", "Z/1.md5"], rng.randrange(5))
        return [listed(p, rng.randrange(3) * 4 * MIB, rng.randrange(3)) for p in paths]

    before, after = roll_of(*clips, *lists()), roll_of(*clips, *lists())
    there = {n: d for n, d in parcels_of(before).items() if rng.random() < 0.8}
    cut = recut(before, after, there)

    right = parcels_of(cut.inventory)
    assert cut.durable == {number: right[number] for number in cut.durable}
    plan, old = ParcelPlan(cut.inventory), ParcelPlan(before)
    stored = {
        (before.files[piece.file_index], piece.offset_bytes)
        for number in there
        for piece in old.pieces(number)
    }
    for number in range(plan.count):
        pieces = [(cut.inventory.files[p.file_index], p.offset_bytes) for p in plan.pieces(number)]
        assert (number in cut.durable) == all(piece in stored for piece in pieces)
    for index, new in cut.file_indexes.items():
        assert before.files[index] == cut.inventory.files[new]
