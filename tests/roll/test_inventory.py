"""The inventory: what it refuses, and what the roll id covers."""

from dataclasses import replace

import pytest

from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import (
    EVIDENCE_MARK_BYTES,
    ROLL_ID_LENGTH,
    FileEntry,
    FileKind,
    Inventory,
    Trust,
    file_from_plain,
    file_to_plain,
    media_by_path,
    ordered,
)

DAY = "2026-03-14_D12"
MD5 = Digest(Algorithm.MD5, bytes(16))
XXH128 = Digest(Algorithm.XXH128, bytes(range(16)))
CLIP = FileEntry("CLIPS/A012C001.mov", 7, 5, (MD5,))
OTHER = FileEntry("CLIPS/A012C002.mov", 8, 6, (XXH128,))
MANIFEST = FileEntry("ascmhl/0001_A012.mhl", 9, 7, (XXH128,), FileKind.EVIDENCE)
ROLL = Inventory(DAY, "A012", (CLIP, OTHER, MANIFEST))


def test_files_are_in_the_order_of_their_utf8_bytes() -> None:
    """Both ends agree on it without a locale; the parcel rule rests on it."""
    names = ["b", "a", "Z", "é", "a/b", "a.b", "\U0001f3ac", "\uffee"]
    files = ordered(FileEntry(name, 0, 0) for name in names)

    assert [f.path for f in files] == ["Z", "a", "a.b", "a/b", "b", "é", "\uffee", "\U0001f3ac"]
    Inventory(DAY, "A012", files)


@pytest.mark.parametrize("files", [(OTHER, CLIP), (CLIP, CLIP)])
def test_an_inventory_out_of_order_cannot_exist(files: tuple[FileEntry, ...]) -> None:
    """Nor one that has a path twice."""
    with pytest.raises(ValueError, match="out of order or listed twice"):
        Inventory(DAY, "A012", files)


def test_a_negative_size_cannot_exist() -> None:
    """Sizes add up to progress."""
    with pytest.raises(ValueError, match="negative size"):
        Inventory(DAY, "A012", (replace(CLIP, size_bytes=-1),))


def test_the_totals_count_manifests_too() -> None:
    """They travel like everything else; media_by_path leaves them out."""
    assert ROLL.total_bytes == 24
    assert set(media_by_path(ROLL)) == {CLIP.path, OTHER.path}


@pytest.mark.parametrize(
    "other",
    [
        replace(ROLL, files=(CLIP, MANIFEST)),
        replace(ROLL, files=(replace(CLIP, size_bytes=8), OTHER, MANIFEST)),
        replace(ROLL, files=(replace(CLIP, path="CLIPS/A012C000.mov"), OTHER, MANIFEST)),
        replace(ROLL, files=(replace(CLIP, digests=(XXH128,)), OTHER, MANIFEST)),
        replace(ROLL, files=(replace(CLIP, digests=(MD5, XXH128)), OTHER, MANIFEST)),
        replace(ROLL, files=(replace(CLIP, digests=()), OTHER, MANIFEST)),
    ],
)
def test_another_path_size_or_digest_is_another_roll(other: Inventory) -> None:
    """The id covers all that says which content it is."""
    assert other.roll_id != ROLL.roll_id


@pytest.mark.parametrize(
    "same",
    [
        replace(ROLL, day="2026-03-15_D13"),
        replace(ROLL, name="A013"),
        replace(ROLL, trust=Trust.SETTLED),
        replace(ROLL, files=(CLIP, OTHER)),
        replace(ROLL, files=(CLIP, OTHER, replace(MANIFEST, size_bytes=99))),
        replace(ROLL, files=(replace(CLIP, mtime_ns=0), OTHER, MANIFEST)),
        replace(ROLL, empty_folders=("EMPTY",)),
    ],
)
def test_a_new_generation_or_another_time_is_the_same_roll(same: Inventory) -> None:
    """A history that gains a generation leaves the media as they were."""
    assert same.roll_id == ROLL.roll_id


def test_the_evidence_mark_tells_manifests_apart_and_nothing_else() -> None:
    """Two inventories of one id and one mark are one, but for times and what is in the media."""
    changed = [
        replace(ROLL, files=(CLIP, OTHER)),
        replace(ROLL, files=(CLIP, OTHER, replace(MANIFEST, size_bytes=99))),
        replace(ROLL, files=(CLIP, OTHER, replace(MANIFEST, digests=(MD5,)))),
        replace(ROLL, files=(CLIP, OTHER, replace(MANIFEST, path="z.mhl"))),
    ]
    marks = {roll.evidence_mark for roll in (ROLL, *changed)}
    same = [
        replace(ROLL, files=(CLIP, OTHER, replace(MANIFEST, mtime_ns=0))),
        replace(ROLL, files=(replace(CLIP, size_bytes=8), MANIFEST)),
    ]

    assert len(marks) == 1 + len(changed)
    assert {roll.evidence_mark for roll in same} == {ROLL.evidence_mark}
    assert len(ROLL.evidence_mark) == EVIDENCE_MARK_BYTES


def test_the_order_of_a_files_digests_does_not_matter() -> None:
    """Evidence is put together from several lists in any order."""
    one = replace(ROLL, files=(replace(CLIP, digests=(MD5, XXH128)),))
    other = replace(ROLL, files=(replace(CLIP, digests=(XXH128, MD5)),))

    assert one.roll_id == other.roll_id
    assert len(one.roll_id) == ROLL_ID_LENGTH
    assert set(one.roll_id) <= set("0123456789abcdef")


def test_a_settled_roll_is_told_by_its_times() -> None:
    """Without digests, a file written again is another."""
    settled = Inventory(DAY, "A012", (FileEntry("a", 1, 5),), trust=Trust.SETTLED)
    later = Inventory(DAY, "A012", (FileEntry("a", 1, 6),), trust=Trust.SETTLED)

    assert settled.roll_id != later.roll_id


def test_fields_cannot_run_into_each_other() -> None:
    """Path and size are kept apart by their lengths."""
    one = Inventory("", "", (FileEntry("a1", 1, 0),))
    other = Inventory("", "", (FileEntry("a", 11, 0),))
    assert one.roll_id != other.roll_id


@pytest.mark.parametrize("entry", [CLIP, MANIFEST, FileEntry("a", 0, -1)])
def test_an_entry_travels_as_plain_values(entry: FileEntry) -> None:
    """What goes into msgpack comes out the same."""
    assert file_from_plain(file_to_plain(entry)) == entry


@pytest.mark.parametrize(
    "plain",
    [
        None,
        [],
        ["a", 1, 2, []],
        [b"a", 1, 2, [], "media"],
        ["a", "1", 2, [], "media"],
        ["a", 1, 2, {}, "media"],
        ["a", 1, 2, [], "other"],
        ["a", 1, 2, [["md5", b"short"]], "media"],
        ["a", 1, 2, [["crc32", bytes(4)]], "media"],
        ["a", 1, 2, [["md5", "00" * 16]], "media"],
        ["a", 1, 2, [b"md5"], "media"],
    ],
)
def test_a_strangers_entry_is_refused_if_malformed(plain: object) -> None:
    """Types, kind, algorithm and length are all checked."""
    with pytest.raises(ValueError, match=r".+"):
        file_from_plain(plain)


def test_a_digest_is_found_by_its_algorithm() -> None:
    """Or None."""
    assert CLIP.digest(Algorithm.MD5) == MD5
    assert CLIP.digest(Algorithm.C4) is None
