"""Histories: chain and manifests belong together, and generations add up."""

import pytest

from syncd.evidence.ascmhl_history import (
    History,
    closest,
    find_scopes,
    is_history_file,
    read_histories,
)
from syncd.evidence.errors import EvidenceError
from syncd.evidence.hashers import digest_of
from syncd.evidence.ignoring import Ignoring
from syncd.roll.digests import Algorithm
from syncd.roll.inventory import FileEntry
from syncd.roll.stages import HeldCode
from tests.evidence.samples import CHAIN, CLIPS, history, manifest, md5, record, records, xxh64

FIRST = "ascmhl/0001_A012_2026-03-14_100001Z.mhl"
SECOND = "ascmhl/0002_A012_2026-03-14_100002Z.mhl"


def read(files: dict[str, bytes]) -> tuple[History, ...]:
    """Read the histories among files."""
    return read_histories(files, files.__getitem__)


def known(*manifests: bytes) -> dict[str, list[str]]:
    """Return what a history with these generations says, as text."""
    (found,) = read(history(*manifests))
    return {
        path: sorted(str(digest) for digest in file.digests) for path, file in found.files.items()
    }


def test_one_generation_is_what_it_records() -> None:
    """Paths are relative to the scope; sizes are kept."""
    (found,) = read({**CLIPS, **history(manifest(records(CLIPS)))})

    assert found.scope == ""
    assert found.chain_path == CHAIN
    assert set(found.files) == set(CLIPS)
    file = found.files["Sidecar.txt"]
    assert file.size_bytes == len(CLIPS["Sidecar.txt"])
    assert [digest.text for digest in file.digests] == [xxh64(CLIPS["Sidecar.txt"])]


def test_later_generations_add_files_and_formats() -> None:
    """A manifest of added files has records of only those (5.6.5)."""
    extra = f'<md5 action="verified">{md5(b"a")}</md5>'
    first = manifest([record("a", b"a")])
    second = manifest([record("a", b"a", "verified", extra), record("b", b"b")])

    assert known(first, second) == {
        "a": [f"md5:{md5(b'a')}", f"xxh64:{xxh64(b'a')}"],
        "b": [f"xxh64:{xxh64(b'b')}"],
    }


def test_a_renamed_file_keeps_what_is_known_of_it() -> None:
    """By previousPath, in the manifest made by the rename only (5.6.6)."""
    first = manifest([record("old", b"x", extra=f'<md5 action="original">{md5(b"x")}</md5>')])
    rename = record("new", b"x", "verified", "<previousPath>old</previousPath>")

    assert known(first, manifest([rename])) == {"new": [f"md5:{md5(b'x')}", f"xxh64:{xxh64(b'x')}"]}


def test_two_files_may_swap_names() -> None:
    """All renames of a generation happen at once."""
    first = manifest([record("a", b"1"), record("b", b"2")])
    swap = [
        record("b", b"1", "verified", "<previousPath>a</previousPath>"),
        record("a", b"2", "verified", "<previousPath>b</previousPath>"),
    ]
    assert known(first, manifest(swap)) == {
        "b": [f"xxh64:{xxh64(b'1')}"],
        "a": [f"xxh64:{xxh64(b'2')}"],
    }


def test_a_renamed_folder_takes_its_files_along() -> None:
    """A directoryhash with previousPath; files that are not in it stay."""
    first = manifest([record("X/Y/a", b"1"), record("XY/b", b"2")])
    folder = (
        "<directoryhash><path>Z</path><content><xxh64>f2afc6434255a53d</xxh64></content>"
        "<structure><xxh64>a25d5ca89c95f9e2</xxh64></structure>"
        "<previousPath>X</previousPath></directoryhash>"
    )
    assert set(known(first, manifest([folder]))) == {"Z/Y/a", "XY/b"}


def test_a_failed_digest_is_never_taken_and_is_remembered_until_it_verifies() -> None:
    """Only original and verified values may be verified against (5.6.4)."""
    good = manifest([record("a", b"good")])
    failed = manifest([record("a", b"evil", "failed")])
    (found,) = read(history(good, failed))
    assert found.files["a"].failed_in == SECOND
    assert [digest.text for digest in found.files["a"].digests] == [xxh64(b"good")]

    (found,) = read(history(good, failed, manifest([record("a", b"good", "verified")])))
    assert found.files["a"].failed_in is None


def test_a_generation_that_contradicts_an_earlier_one_is_an_error() -> None:
    """There is no way to bless a changed file; both manifests are named."""
    with pytest.raises(EvidenceError, match="0001_A012") as caught:
        known(manifest([record("a", b"1")]), manifest([record("a", b"2", "verified")]))

    assert caught.value.list_path == SECOND
    assert caught.value.path == "a"


def test_patterns_of_all_generations_count() -> None:
    """Over a history's life the set may only grow."""
    (found,) = read(history(manifest([record("a", b"")]), manifest([], ignore=["*.log"])))

    assert found.ignoring.is_ignored("x/y.log")
    assert found.ignoring.is_ignored("x/.DS_Store")
    assert not found.ignoring.is_ignored("a")


@pytest.mark.parametrize(
    ("pattern", "ignored", "kept"),
    [
        ("*.log", "x/a.log", "a.logs"),
        ("/a", "a", "x/a"),
        ("x/y", "x/y", "z/x/y"),
        ("tmp/", "x/tmp/a", "x/tmp"),
        ("a?c", "abc", "ac"),
        ("[ab].mov", "a.mov", "c.mov"),
        ("x/**/a", "x/1/2/a", "y/a"),
        ("\\#a", "#a", "a"),
    ],
)
def test_patterns_are_in_the_gitignore_syntax(pattern: str, ignored: str, kept: str) -> None:
    """Appendix C of the specification."""
    assert Ignoring([pattern]).is_ignored(ignored)
    assert not Ignoring([pattern]).is_ignored(kept)


def test_a_later_pattern_may_take_back() -> None:
    """With `!`; and folders are asked for as folders."""
    ignoring = Ignoring(["*.log", "!keep.log", "tmp/"])
    assert not ignoring.is_ignored("keep.log")
    assert ignoring.is_folder_ignored("tmp")
    assert not ignoring.is_folder_ignored("x")


NESTED = history(manifest([record("a", b"1")]), scope="CLIPS")
NESTED_MANIFEST = next(path for path in NESTED if path.endswith(".mhl"))


def outer(reference: bytes | None = None) -> dict[str, bytes]:
    """Return a roll with an outer history that refers to the nested one."""
    data = NESTED[NESTED_MANIFEST] if reference is None else reference
    top = manifest([record("b", b"2")], references={NESTED_MANIFEST: data})
    return {"CLIPS/a": b"1", "b": b"2", **NESTED, **history(top)}


def test_nested_histories_are_read_outer_first() -> None:
    """A record belongs to the history closest to the file (5.3.2)."""
    found = read(outer())

    assert [one.scope for one in found] == ["", "CLIPS"]
    assert [set(one.files) for one in found] == [{"b"}, {"a"}]
    assert closest(found, "CLIPS/a") is found[1]
    assert closest(found, "CLIPSX/a") is found[0]
    assert closest(found, "b") is found[0]
    assert closest([found[1]], "b") is None


def test_a_reference_must_be_to_the_manifest_that_is_there() -> None:
    """A manifest, once made, is not altered (5.2)."""
    with pytest.raises(EvidenceError, match="its C4 differs") as caught:
        read(outer(reference=b"other"))
    assert caught.value.path == NESTED_MANIFEST

    lost = {path: data for path, data in outer().items() if not path.startswith("CLIPS/ascmhl")}
    with pytest.raises(EvidenceError, match="refers to it, and it is not there") as caught:
        read(lost)
    assert caught.value.code is HeldCode.FILE_MISSING


@pytest.mark.parametrize("gone", [CHAIN, FIRST])
def test_a_history_without_its_chain_or_a_manifest_is_not_whole(gone: str) -> None:
    """It may still be copied; if not, the missing file is named."""
    files = history(manifest(records(CLIPS)))
    files.pop(gone)
    with pytest.raises(EvidenceError, match="yet") as caught:
        read(files)

    assert caught.value.path == gone


def test_a_manifest_that_the_chain_does_not_name_is_not_believed() -> None:
    """The chain is written last; until then the generation is not there."""
    files = history(manifest(records(CLIPS)))
    files[SECOND] = manifest([record("b", b"")])
    with pytest.raises(EvidenceError, match="does not name this manifest") as caught:
        read(files)
    assert caught.value.path == SECOND


def test_a_manifest_with_one_bit_changed_is_found_by_the_chain() -> None:
    """The chain keeps the C4 of each."""
    files = history(manifest(records(CLIPS)))
    files[FIRST] = files[FIRST].replace(b"Sidecar", b"sidecar")
    with pytest.raises(EvidenceError, match="its C4 differs") as caught:
        read(files)
    assert (caught.value.list_path, caught.value.path) == (CHAIN, FIRST)


def test_a_pattern_out_of_the_syntax_is_an_error_not_a_crash() -> None:
    """It is a stranger's text."""
    with pytest.raises(EvidenceError, match="gitignore"):
        read(history(manifest([record("a", b"")], ignore=["!"])))


def test_history_files_are_told_by_their_folder() -> None:
    """At the top or nested; a file or folder that only sounds like it is none."""
    assert is_history_file("ascmhl/x")
    assert is_history_file("a/ascmhl/x/y")
    assert not is_history_file("ascmhl")
    assert not is_history_file("a/xascmhl/y")
    assert find_scopes(["b/ascmhl/1", "ascmhl/1", "a/b/ascmhl/2", "a/ascmhl/3"]) == [
        "",
        "a",
        "a/b",
        "b",
    ]


def test_what_a_roll_was_frozen_as_is_not_kept_twice() -> None:
    """Only what a history says alike: what it says otherwise is for others to find."""
    files = history(manifest([record("a", b"a"), record("b", b"b")]))
    frozen = [
        FileEntry(path, 1, 0, (digest_of(Algorithm.XXH64, content),))
        for path, content in (("a", b"a"), ("b", b"other"))
    ]
    (found,) = read_histories(files, files.__getitem__, frozen)
    assert found.files["a"].digests is frozen[0].digests
    assert [digest.text for digest in found.files["b"].digests] == [xxh64(b"b")]
