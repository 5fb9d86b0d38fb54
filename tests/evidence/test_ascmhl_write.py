"""The next generation: what it says, where it goes, and that our own reader believes it.

That the XML is valid by both schemas is tested in tests/standards.
"""

import xml.etree.ElementTree as ET
from collections.abc import Iterable
from dataclasses import dataclass

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncd.evidence.ascmhl_directory import directory_hashes
from syncd.evidence.ascmhl_history import History, read_histories
from syncd.evidence.ascmhl_model import Action, ChainEntry, Manifest
from syncd.evidence.ascmhl_read import read_manifest
from syncd.evidence.ascmhl_write import SealedFile, next_generation
from syncd.evidence.hashers import digest_of
from syncd.evidence.paths import under
from syncd.evidence.verdict import Complete, judge
from syncd.limits import HISTORY_NAME_BYTES_MAX
from syncd.roll.digests import Algorithm, Digest
from tests.evidence.samples import (
    CHAIN,
    CLIPS,
    Roll,
    Written,
    history,
    manifest,
    record,
    records,
    written,
)

STARTED_UTC_MS = 1_773_500_000_123  # 2026-03-14 14:53:20 UTC
STAMP = "2026-03-14_145320Z"
BOTH = (Algorithm.XXH64, Algorithm.XXH128)
HISTORY = history(manifest(records(CLIPS)))


def sealed(files: dict[str, bytes], algorithms: Iterable[Algorithm] = BOTH) -> list[SealedFile]:
    """Return files as read back, hashed in these algorithms."""
    wanted = tuple(algorithms)
    return [
        SealedFile(path, len(data), 10**18, tuple(digest_of(a, data) for a in wanted))
        for path, data in sorted(files.items())
    ]


def read(files: dict[str, bytes]) -> tuple[History, ...]:
    """Read the histories among files."""
    return read_histories(files, files.__getitem__)


def write(
    files: dict[str, bytes],
    algorithms: Iterable[Algorithm] = BOTH,
    *,
    folders: Iterable[str] = (),
    ignore: Iterable[str] = (),
) -> list[Written]:
    """Write the next generation of a roll."""
    new = next_generation(
        "A012",
        sealed(files, algorithms),
        read(files),
        host_name="process-1",
        tool_version="0.1.0",
        started_utc_ms=STARTED_UTC_MS,
        folders=folders,
        ignore=ignore,
    )
    return written(new)


@dataclass(frozen=True)
class Read:
    """A history as our own reader sees it, and its latest generation by itself."""

    chain: tuple[ChainEntry, ...]
    latest: Manifest


def after(files: dict[str, bytes], new: list[Written]) -> tuple[Read, ...]:
    """Read the histories of the roll with its new generation."""
    files = {**files, **{file.path: file.data for file in new}}
    return tuple(_read(files, history) for history in read(files))


def _read(files: dict[str, bytes], found: History) -> Read:
    path = under(found.scope, f"ascmhl/{found.chain[-1].name}")
    return Read(found.chain, read_manifest(files[path], path))


def last(found: Read) -> Manifest:
    """Return a history's latest generation."""
    return found.latest


def said(generation: Manifest) -> dict[str, list[tuple[str, Action]]]:
    """Return formats and actions by path."""
    return {f.path: [(d.algorithm.value, a) for d, a in f.digests] for f in generation.files}


def test_a_roll_without_history_gets_one() -> None:
    """Generation 1: every digest is the first of its file in this history."""
    new = write(CLIPS)
    (found,) = after(CLIPS, new)

    assert [file.path for file in new] == [f"ascmhl/0001_A012_{STAMP}.mhl", CHAIN]
    assert last(found).process == "transfer"
    expected = [("xxh128", Action.ORIGINAL), ("xxh64", Action.ORIGINAL)]
    assert said(last(found)) == dict.fromkeys(sorted(CLIPS), expected)


def test_a_roll_with_a_history_gains_a_generation() -> None:
    """What matched is verified, and so is the new format beside it; the chain grows by one."""
    files = {**CLIPS, **HISTORY}
    new = write(files)
    (found,) = after(files, new)

    assert [file.path for file in new] == [f"ascmhl/0002_A012_{STAMP}.mhl", CHAIN]
    assert [entry.number for entry in found.chain] == [1, 2]
    assert found.chain[0] == read(files)[0].chain[0]
    expected = [("xxh128", Action.VERIFIED), ("xxh64", Action.VERIFIED)]
    assert said(last(found)) == dict.fromkeys(sorted(CLIPS), expected)


def test_a_file_new_to_a_history_is_original_beside_verified_ones() -> None:
    """A list that travels with the roll has no record yet."""
    files = {**CLIPS, **HISTORY, "A012.md5": b"a list"}
    found = after(files, write(files))[0]

    assert said(last(found))["A012.md5"][0] == ("xxh128", Action.ORIGINAL)
    assert said(last(found))["Sidecar.txt"][0] == ("xxh128", Action.VERIFIED)


def test_formats_are_in_the_order_of_the_appendix_and_the_rest_is_left_out() -> None:
    """C4, md5, sha1, xxh128, xxh3, xxh64; SHA-256 and SHA-512 have no element."""
    new = write(CLIPS, list(Algorithm))
    root = ET.fromstring(new[0].data)  # noqa: S314  # our own bytes
    namespace = "{urn:ASC:MHL:v2.0}"
    names = [child.tag.removeprefix(namespace) for child in root.find(f".//{namespace}hash") or []]

    assert names == ["path", "c4", "md5", "sha1", "xxh128", "xxh3", "xxh64"]


def test_a_manifest_says_who_when_and_what() -> None:
    """Times are in UTC with their offset; sizes and file times are there."""
    text = write(CLIPS)[0].data.decode()

    assert "<creationdate>2026-03-14T14:53:20+00:00</creationdate>" in text
    assert "<hostname>process-1</hostname>" in text
    assert '<tool version="0.1.0">syncd</tool>' in text
    assert '<path size="14" lastmodificationdate="2001-09-09T01:46:40+00:00">Sidecar.txt' in text
    assert 'hashdate="2026-03-14T14:53:20+00:00"' in text


@pytest.mark.parametrize("mtime_ns", [-(10**18) * 10**3, 10**30, -1, 0])
def test_a_file_time_outside_the_calendar_is_left_out(mtime_ns: int) -> None:
    """The attribute is optional; the file is recorded all the same."""
    file = SealedFile("a", 1, mtime_ns, (digest_of(Algorithm.MD5, b"x"),))
    new = written(
        next_generation(
            "A012", [file], (), host_name="h", tool_version="1", started_utc_ms=STARTED_UTC_MS
        )
    )
    has_time = b"lastmodificationdate" in new[0].data
    assert has_time is (abs(mtime_ns) < 10**18)


def test_directory_hashes_are_in_one_format_that_every_file_has() -> None:
    """XXH128 if it can be; none if the files have no format in common."""
    found = after(CLIPS, write(CLIPS, folders=["EMPTY"]))[0]
    digests = [(path, digest_of(Algorithm.XXH128, data)) for path, data in CLIPS.items()]
    hashes = directory_hashes(Algorithm.XXH128, digests, ["EMPTY"])
    assert (last(found).root_content, last(found).root_structure) == tuple(
        (digest,) for digest in hashes[""]
    )
    assert {f.path: (f.content[0], f.structure[0]) for f in last(found).folders} == {
        "CLIPS": hashes["CLIPS"],
        "EMPTY": hashes["EMPTY"],
    }

    found = after(CLIPS, write(CLIPS, [Algorithm.MD5]))[0]
    assert last(found).root_content[0].algorithm is Algorithm.MD5

    mixed = sealed({"a": b""}, [Algorithm.MD5]) + sealed({"b": b""}, [Algorithm.C4])
    new = written(
        next_generation(
            "A012", mixed, (), host_name="h", tool_version="1", started_utc_ms=STARTED_UTC_MS
        )
    )
    assert b"roothash" not in new[0].data


def test_ignored_files_and_histories_themselves_are_not_recorded() -> None:
    """Old patterns stay, the defaults are there, new ones are added: the set only grows."""
    first = manifest(records(CLIPS), ignore=["*.log"])
    files = {**CLIPS, "x.log": b"", "y.tmp": b"", "sub/.DS_Store": b"", **history(first)}
    found = after(files, write(files, ignore=["*.tmp"]))[0]

    assert set(said(last(found))) == set(CLIPS)
    assert last(found).ignore == (".DS_Store", "ascmhl", "ascmhl/", "*.log", "*.tmp")


def nested() -> dict[str, bytes]:
    """Return a roll with a history in CLIPS and one at the top that refers to it."""
    inner = history(manifest([record("A012C001.mov", CLIPS["CLIPS/A012C001.mov"])]), scope="CLIPS")
    path = next(path for path in inner if path.endswith(".mhl"))
    top = [record("Sidecar.txt", CLIPS["Sidecar.txt"])]
    return {**CLIPS, **inner, **history(manifest(top, references={path: inner[path]}))}


def test_a_manifest_of_the_longest_name_that_is_taken_fits_a_file_system() -> None:
    """255 bytes (NAME_MAX of limits.h): nothing has to be shortened, as nothing may be."""
    roll, inner = "r" * HISTORY_NAME_BYTES_MAX, "n" * HISTORY_NAME_BYTES_MAX
    had = history(manifest([record("B.mov", b"2")]), scope=inner)
    files = {"A.mov": b"1", f"{inner}/B.mov": b"2", **had}
    new = next_generation(
        roll,
        sealed(files, (Algorithm.XXH64,)),
        read(files),
        host_name="process-1",
        tool_version="0.1.0",
        started_utc_ms=STARTED_UTC_MS,
    )
    names = [file.path.rpartition("/")[2] for file in written(new)]
    assert sorted(len(name) for name in names if name.endswith(".mhl")) == [255, 255]


def test_nested_histories_get_their_own_generation_and_are_referred_to() -> None:
    """A record goes to the closest history only; inner files come first, so C4s are known."""
    files = nested()
    new = write(files)
    outer, inner = after(files, new)

    assert [file.path for file in new] == [
        f"CLIPS/ascmhl/0002_CLIPS_{STAMP}.mhl",
        f"CLIPS/{CHAIN}",
        f"ascmhl/0002_A012_{STAMP}.mhl",
        CHAIN,
    ]
    assert set(said(last(outer))) == {"Sidecar.txt"}
    assert said(last(inner)) == {
        "A012C001.mov": [("xxh128", Action.VERIFIED), ("xxh64", Action.VERIFIED)],
        "A012C002.mov": [("xxh128", Action.ORIGINAL), ("xxh64", Action.ORIGINAL)],
    }
    (reference,) = last(outer).references
    assert reference.path == new[0].path
    assert reference.c4 == digest_of(Algorithm.C4, new[0].data)
    (clips,) = last(outer).folders
    assert (clips.content, clips.structure) == (
        last(inner).root_content,
        last(inner).root_structure,
    )


def test_a_roll_whose_only_history_is_nested_gets_one_at_the_top() -> None:
    """So that the whole roll is covered; it refers to the nested one."""
    files = {path: data for path, data in nested().items() if not path.startswith("ascmhl/")}
    outer, inner = after(files, write(files))

    assert (len(outer.chain), len(inner.chain)) == (1, 2)
    assert len(last(outer).references) == 1


def test_a_generation_of_references_alone_still_has_a_hash() -> None:
    """Appendix A wants `hashes`: the nested folder's own hash is there."""
    inner = {path: data for path, data in CLIPS.items() if path.startswith("CLIPS/")}
    short = {path.removeprefix("CLIPS/"): data for path, data in inner.items()}
    files = {**inner, **history(manifest(records(short)), scope="CLIPS")}
    outer = after(files, write(files))[0]

    assert not last(outer).files
    assert [folder.path for folder in last(outer).folders] == ["CLIPS"]


def test_a_file_that_its_history_contradicts_is_never_sealed() -> None:
    """Such a file was not proved; writing `verified` for it would be a lie."""
    files = {**CLIPS, **HISTORY}
    changed = {**files, "Sidecar.txt": b"other content\n"}
    for digests in (sealed(changed), sealed(changed, [Algorithm.MD5])):
        with pytest.raises(ValueError, match="history"):
            next(
                next_generation(
                    "A012",
                    digests,
                    read(files),
                    host_name="h",
                    tool_version="1",
                    started_utc_ms=STARTED_UTC_MS,
                )
            )
    with pytest.raises(ValueError, match="no digest that ASC MHL has an element for"):
        write(CLIPS, [Algorithm.SHA256])


def test_the_roll_is_complete_by_what_was_written() -> None:
    """The next box judges it by our generation as it would by any."""
    files = {**CLIPS, **HISTORY}
    one = Roll({**files, **{file.path: file.data for file in write(files)}})
    verdict = judge(one.view())

    assert isinstance(verdict, Complete)
    assert verdict.kinds == ("ASC MHL generation 2",)
    assert {d.algorithm for d in verdict.inventory.files[0].digests} == set(BOTH)


def test_the_same_input_gives_the_same_bytes() -> None:
    """Sealing may be repeated after a crash."""
    assert write({**CLIPS, **HISTORY}) == write({**CLIPS, **HISTORY})


NAMES = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Cn"], exclude_characters="/"),
    min_size=1,
    max_size=8,
).filter(
    lambda name: name not in {".", "..", "ascmhl", ".DS_Store", "d", "é"} and name.strip() == name
)


@settings(deadline=None, max_examples=50)
@given(st.dictionaries(st.tuples(st.sampled_from(["", "d/", "é/&/"]), NAMES), st.binary()))
def test_any_names_are_read_back_as_they_were(named: dict[tuple[str, str], bytes]) -> None:
    """Markup in a name is a name; three generations in a row stay one history."""
    files = {folder + name: data for (folder, name), data in named.items()}
    if not files:
        return
    for count in range(1, 4):
        files |= {file.path: file.data for file in write(files)}
        (found,) = read(files)
        assert len(found.chain) == count
        assert set(found.files) == {path for path in files if not path.startswith("ascmhl/")}


# Re-computed in ../shared/standards/asc-mhl.md from the specification's words; equal to the
# published example "scenario_05" (github.com/ascmitc/mhl, commit 5970ecb).
PUBLISHED = {
    "A003R2EC/Clips/A003C011_141024_R2EC.mov": "52392f79a36d6571",
    "A003R2EC/Clips/A003C012_141024_R2EC.mov": "5dbca064ddddd6fc",
    "A003R2EC/Sidecar.txt": "e5dda75a353d8b34",
    "A002R2EC/Clips/A002C006_141024_R2EC.mov": "0ea03b369a463d9d",
    "A002R2EC/Clips/A002C007_141024_R2EC.mov": "7680e5f98f4a80fd",
    "A002R2EC/Sidecar.txt": "3ab5a4166b9bde44",
    "Summary.txt": "0ac48e431d4538ba",
}
PUBLISHED_FOLDERS = {
    "A003R2EC/Clips": ("f2afc6434255a53d", "a25d5ca89c95f9e2"),
    "A003R2EC": ("7a82373c131cf40a", "1131a950fcc55e4b"),
    "A002R2EC/Clips": ("4c226b42e27d7af3", "906faa843d591a9f"),
    "A002R2EC": ("8d02114c32e28cbe", "f557f8ca8e5a88ef"),
    "": ("92950bc8fda076ec", "2c2ce52605558158"),
}
PUBLISHED_MD5 = {
    "Clips/A002C006_141024_R2EC.mov": "f5ac8127b3b6b85cdc13f237c6005d80",
    "Clips/A002C007_141024_R2EC.mov": "614dd0e977becb4c6f7fa99e64549b12",
    "Sidecar.txt": "6425c5a180ca0f420dd2b25be4536a91",
}


def test_directory_hashes_are_as_published() -> None:
    """Content and structure, three levels deep, from the file digests of the example."""
    files = {p: Digest(Algorithm.XXH64, bytes.fromhex(text)) for p, text in PUBLISHED.items()}
    hashes = directory_hashes(Algorithm.XXH64, files.items())

    assert {p: (c.text, s.text) for p, (c, s) in hashes.items()} == PUBLISHED_FOLDERS


def test_directory_hashes_in_md5_are_as_published() -> None:
    """The content hashes of the same example in another format."""
    files = {p: Digest(Algorithm.MD5, bytes.fromhex(text)) for p, text in PUBLISHED_MD5.items()}
    hashes = directory_hashes(Algorithm.MD5, files.items())

    assert hashes["Clips"][0].text == "202a2d71b56b080d9b089c1f4f29a4ba"
    assert hashes[""][0].text == "6fae2da9bc6dca45486cb91bfea6db70"


def test_an_empty_folder_hashes_as_nothing_and_its_name_counts() -> None:
    """The specification is silent here; this is our rule."""
    files = {"a": digest_of(Algorithm.XXH128, b"")}
    without = directory_hashes(Algorithm.XXH128, files.items())
    one = directory_hashes(Algorithm.XXH128, files.items(), ["E"])
    other = directory_hashes(Algorithm.XXH128, files.items(), ["F"])

    assert one["E"] == (digest_of(Algorithm.XXH128, b""),) * 2
    assert len({hashes[""][1] for hashes in (without, one, other)}) == 3
    assert one[""][0] == other[""][0]
