"""The answer for a roll, for every way in which evidence comes, is short, or is wrong."""

import time
from dataclasses import replace

import pytest
import xxhash

from syncd.evidence.verdict import Broken, Complete, Incomplete, NoEvidence, judge
from syncd.limits import LIST_QUIET_S, QUIET_S
from syncd.roll.inventory import FileKind
from syncd.roll.stages import HeldCode
from tests.evidence.samples import (
    CHAIN,
    CLIPS,
    DAY,
    NAME,
    Roll,
    Seen,
    chain,
    gnu,
    history,
    manifest,
    md5,
    record,
    records,
    xxh64,
)

FIRST = "ascmhl/0001_A012_2026-03-14_100001Z.mhl"
HISTORY = history(manifest(records(CLIPS)))


def roll(**beside: bytes) -> Roll:
    """Return a roll without evidence in it."""
    return Roll(beside={name.replace("__", "."): data for name, data in beside.items()})


def with_files(files: dict[str, bytes]) -> Roll:
    """Return the roll with more files in it."""
    return Roll({**CLIPS, **files})


def complete(one: Roll) -> Complete:
    """Judge, and insist that it is complete."""
    verdict = judge(one.view())
    assert isinstance(verdict, Complete), verdict
    return verdict


def incomplete(one: Roll) -> Incomplete:
    """Judge, and insist that something is missing."""
    verdict = judge(one.view())
    assert isinstance(verdict, Incomplete), verdict
    return verdict


def broken(one: Roll) -> Broken:
    """Judge, and insist that the evidence is no good."""
    verdict = judge(one.view())
    assert isinstance(verdict, Broken), verdict
    return verdict


def digests(verdict: Complete) -> dict[str, list[str]]:
    """Return the digests of the media in an inventory, as text."""
    return {
        entry.path: [str(digest) for digest in entry.digests]
        for entry in verdict.inventory.files
        if entry.kind is FileKind.MEDIA
    }


MD5S = {path: [f"md5:{md5(data)}"] for path, data in CLIPS.items()}
XXH64S = {path: [f"xxh64:{xxh64(data)}"] for path, data in CLIPS.items()}


def test_a_roll_without_evidence_has_none() -> None:
    """Nothing is wrong with it; it waits."""
    assert judge(Roll().view()) == NoEvidence()
    assert judge(Roll({}).view()) == NoEvidence()
    assert judge(roll(B007__md5=gnu({"B007/a": b""})).view()) == NoEvidence()


def test_a_history_makes_a_roll_complete() -> None:
    """Media carry its digests, the manifests our own; nothing but evidence was read."""
    one = with_files(HISTORY)
    verdict = complete(one)

    assert (verdict.inventory.day, verdict.inventory.name) == (DAY, NAME)
    assert digests(verdict) == XXH64S
    evidence = {e.path: e for e in verdict.inventory.files if e.kind is FileKind.EVIDENCE}
    assert set(evidence) == set(HISTORY)
    (own,) = evidence[FIRST].digests
    assert own.text == xxhash.xxh3_128_hexdigest(HISTORY[FIRST])
    assert evidence[FIRST].size_bytes == len(HISTORY[FIRST])
    assert verdict.kinds == ("ASC MHL generation 1",)
    assert verdict.quiet_needed_s == QUIET_S
    assert set(one.reads) == set(HISTORY)


@pytest.mark.parametrize("name", ["A012.md5", "MD5SUMS", "checksums.txt"])
def test_a_list_at_the_top_makes_a_roll_complete(name: str) -> None:
    """It has no end mark, so it must be still for longer; it travels as evidence."""
    verdict = complete(with_files({name: gnu(CLIPS)}))

    assert digests(verdict) == MD5S
    assert verdict.kinds == (f"md5 list {name}",)
    assert verdict.quiet_needed_s == LIST_QUIET_S
    assert [e.path for e in verdict.inventory.files if e.kind is FileKind.EVIDENCE] == [name]


def test_a_media_hash_list_makes_a_roll_complete() -> None:
    """The original form; finished XML needs only the short quiet."""
    hashes = "".join(
        f"<hash><file>{path}</file><size>{len(data)}</size><md5>{md5(data)}</md5></hash>"
        for path, data in CLIPS.items()
    )
    name = "A012_2026-03-14_100500.mhl"
    verdict = complete(with_files({name: f'<hashlist version="1.1">{hashes}</hashlist>'.encode()}))

    assert digests(verdict) == MD5S
    assert verdict.kinds == (f"media hash list {name}",)
    assert verdict.quiet_needed_s == QUIET_S


def test_lists_in_several_folders_cover_a_roll_together() -> None:
    """Each is relative to its own folder."""
    clips = {path.removeprefix("CLIPS/"): d for path, d in CLIPS.items() if path.startswith("CLI")}
    files = {
        "CLIPS/CLIPS.md5": gnu(clips),
        "Sidecar.txt.md5": f"{md5(CLIPS['Sidecar.txt'])}\n".encode(),
    }
    assert digests(complete(with_files(files))) == MD5S
    assert incomplete(with_files(files).without("Sidecar.txt.md5")).unlisted == ("Sidecar.txt",)


@pytest.mark.parametrize("prefix", ["A012/", "./A012/"])
def test_paths_in_a_list_may_begin_with_the_roll(prefix: str) -> None:
    """As when the list was made in the folder above, and moved in."""
    assert digests(complete(with_files({"A012.md5": gnu(CLIPS, prefix)}))) == MD5S


def test_a_list_in_a_folder_may_be_relative_to_the_roll() -> None:
    """What finds more of its files is what was meant."""
    assert digests(complete(with_files({"REPORTS/A012.md5": gnu(CLIPS)}))) == MD5S


@pytest.mark.parametrize(
    ("name", "prefix"),
    [
        ("A012.md5", ""),
        ("A012.md5", "A012/"),
        ("A012.md5", "A012\\"),
        ("A012_card.md5", ""),
        ("D12.md5", "A012/"),
        ("checksums.txt", "A012/"),
    ],
)
def test_a_list_beside_the_roll_is_found(name: str, prefix: str) -> None:
    """By its name, or by naming files in the roll; it is not part of the roll."""
    data = gnu(CLIPS, prefix)
    if "\\" in prefix:
        data = data.replace(b"/", b"\\")
    verdict = complete(Roll(beside={name: data}))

    assert digests(verdict) == MD5S
    assert [entry.path for entry in verdict.inventory.files] == sorted(CLIPS)
    assert verdict.quiet_needed_s == LIST_QUIET_S


def test_a_list_beside_may_cover_several_rolls() -> None:
    """What it says of others is theirs: their files are not missing here."""
    both = gnu(CLIPS, "A012/") + gnu({"a.mov": b"x"}, "B007/")
    assert digests(complete(roll(D12__md5=both))) == MD5S


def test_a_list_of_another_roll_with_a_longer_name_is_not_this_rolls() -> None:
    """`A012_B.md5` beside A012, with files of other names."""
    assert judge(Roll(beside={"A012_B.md5": gnu({"CLIPS/x.mov": b"x"})}).view()) == NoEvidence()


def test_a_media_hash_list_and_a_lone_manifest_may_lie_beside() -> None:
    """Dated as the forms want it."""
    hashes = "".join(
        f"<hash><file>A012/{path}</file><md5>{md5(data)}</md5></hash>"
        for path, data in CLIPS.items()
    )
    data = f'<hashlist version="1.1">{hashes}</hashlist>'.encode()
    assert digests(complete(Roll(beside={"D12_2026-03-14_100500.mhl": data}))) == MD5S

    lone = {"A012_2026-03-14_100500Z.mhl": manifest(records(CLIPS), process="flatten")}
    assert digests(complete(Roll(beside=lone))) == XXH64S


def test_digests_of_several_lists_are_put_together() -> None:
    """One per algorithm; each kind is told; the plain list asks for its longer quiet."""
    verdict = complete(Roll({**CLIPS, **HISTORY}, beside={"A012.md5": gnu(CLIPS)}))

    assert digests(verdict) == {path: MD5S[path] + XXH64S[path] for path in CLIPS}
    assert verdict.kinds == ("ASC MHL generation 1", "md5 list A012.md5")
    assert verdict.quiet_needed_s == LIST_QUIET_S


def test_lists_that_contradict_each_other_are_both_named() -> None:
    """One of them is wrong, and a person finds out which."""
    other = gnu({**CLIPS, "Sidecar.txt": b"other"})
    verdict = broken(Roll({**CLIPS, "A012.md5": gnu(CLIPS)}, beside={"D12.md5": b""} | {
        "A012.md5sum": other}))  # fmt: skip

    assert verdict.code is HeldCode.EVIDENCE_MISMATCH
    assert verdict.path == "Sidecar.txt"
    assert "A012.md5sum" in verdict.message
    assert "in A012.md5." in verdict.message
    assert md5(b"other") in verdict.message


def test_a_missing_file_is_named_first() -> None:
    """With how many more; the remedy is to offload again."""
    one = with_files(HISTORY)
    verdict = incomplete(one.without("CLIPS/A012C001.mov").without("Sidecar.txt"))

    assert verdict.code is HeldCode.FILE_MISSING
    assert verdict.missing == ("CLIPS/A012C001.mov", "Sidecar.txt")
    assert verdict.path == "CLIPS/A012C001.mov"
    assert "in the evidence but not in the roll, and 1 more." in verdict.reason


def test_an_unlisted_file_is_named() -> None:
    """Evidence covers every file, or the roll is not verified."""
    verdict = incomplete(with_files({**HISTORY, "extra.mov": b"x"}))

    assert verdict.code is HeldCode.FILE_UNLISTED
    assert verdict.unlisted == ("extra.mov",)
    assert verdict.reason == "extra.mov is in the roll but not in the evidence."


def test_a_file_of_another_size_is_named_with_both() -> None:
    """It may still grow; without looking at its bytes it is known not to be all there."""
    verdict = incomplete(with_files({**HISTORY, "Sidecar.txt": b"sound"}))

    assert verdict.wrong_size == ("Sidecar.txt",)
    assert verdict.code is HeldCode.EVIDENCE_MISMATCH
    assert "5 bytes, not the 14 that ascmhl/0001_A012" in verdict.reason


@pytest.mark.parametrize("line", ["XXH32 (Sidecar.txt) = 02cc5d05\n", "02cc5d05  Sidecar.txt\n"])
def test_a_weak_digest_is_as_good_as_none(line: str) -> None:
    """And the answer says why."""
    some = {path: data for path, data in CLIPS.items() if path != "Sidecar.txt"}
    verdict = incomplete(with_files({"A012.md5": gnu(some) + line.encode()}))

    assert verdict.unlisted == ("Sidecar.txt",)
    assert "without a digest that proves it" in verdict.reason


@pytest.mark.parametrize("where", ["inside", "beside"])
def test_an_empty_list_is_said_to_be_empty(where: str) -> None:
    """It may be about to be written, so it is waited for like one that grows."""
    inside = {"A012.md5": b""} if where == "inside" else {}
    beside = {} if where == "inside" else {"A012.md5": b""}
    verdict = incomplete(Roll({**CLIPS, **inside}, beside=beside))
    assert verdict.growing
    assert verdict.reason == "A012.md5 is empty."


@pytest.mark.parametrize("where", ["inside", "beside"])
def test_a_growing_list_is_not_yet_evidence(where: str) -> None:
    """Cut anywhere in its last line, even when another history covers everything."""
    cut = gnu(CLIPS)[:-7]
    inside = {"A012.md5": cut} if where == "inside" else {}
    beside = {} if where == "inside" else {"A012.md5": cut}
    for base in ({}, HISTORY):
        verdict = incomplete(Roll({**CLIPS, **base, **inside}, beside=beside))
        assert verdict.growing
        assert verdict.path == "A012.md5"


def test_a_list_that_is_read_while_it_is_written_is_not_believed() -> None:
    """Its size is not the one that was scanned."""
    one = with_files({"A012.md5": gnu(CLIPS)})
    view = one.view()
    longer = tuple(
        Seen(f.path, f.size_bytes + (f.path == "A012.md5"), f.mtime_ns) for f in view.files
    )
    verdict = judge(replace(view, files=longer))

    assert isinstance(verdict, Broken)
    assert "being written" in verdict.message


def test_a_list_that_lists_itself_is_not_held_to_it() -> None:
    """As `md5sum * > A012.md5` does: the digest is of the list when it was empty."""
    one = with_files({"A012.md5": gnu({**CLIPS, "A012.md5": b""})})
    assert digests(complete(one)) == MD5S


def test_a_list_that_another_list_covers_is_media_and_counts() -> None:
    """It is checked like any other file then."""
    files = {**CLIPS, "A012.md5": gnu(CLIPS)}
    verdict = complete(Roll({**files, **history(manifest(records(files)))}))

    assert digests(verdict)["A012.md5"] == [f"xxh64:{xxh64(files['A012.md5'])}"]
    assert digests(verdict)["Sidecar.txt"] == MD5S["Sidecar.txt"] + XXH64S["Sidecar.txt"]


def test_a_file_that_only_has_a_lists_name_is_media_if_covered() -> None:
    """A camera may call its files what it likes; uncovered, the line is named."""
    files = {**CLIPS, "take.md5": b"no list at all\n"}
    covered = Roll({**files, **history(manifest(records(files)))})
    assert "take.md5" in digests(complete(covered))

    verdict = broken(Roll({**files, **HISTORY}))
    assert verdict.message.startswith("take.md5, line 1: it is no line of a checksum list")


def test_history_files_stay_evidence_even_if_a_list_covers_them() -> None:
    """A chain gains generations; a list made before must not forbid it."""
    files = {**CLIPS, **HISTORY}
    one = Roll({**files, "A012.md5": gnu({**files, CHAIN: b"an older chain"})})
    kinds = {entry.path: entry.kind for entry in complete(one).inventory.files}

    assert kinds[CHAIN] is FileKind.EVIDENCE
    assert kinds[FIRST] is FileKind.EVIDENCE


def test_what_a_history_ignores_is_left_out_and_not_missed() -> None:
    """Unless other evidence covers it."""
    data = manifest(records(CLIPS), ignore=["*.log", "cache/"])
    files = {**CLIPS, "x.log": b"x", "cache/y": b"y", **history(data)}
    verdict = complete(Roll(files, folders=("cache/empty", "EMPTY")))
    assert set(verdict.left_out) == {"x.log", "cache/y"}
    assert set(digests(verdict)) == set(CLIPS)
    assert verdict.inventory.empty_folders == ("EMPTY",)

    listed = Roll(files, beside={"A012.md5": gnu({"x.log": b"x"})})
    assert complete(listed).left_out == ("cache/y",)


def test_a_file_recorded_before_it_was_ignored_is_not_missed() -> None:
    """The set of patterns grows over a history's life."""
    files = history(manifest(records({**CLIPS, "x.log": b""})), manifest([], ignore=["*.log"]))
    assert set(digests(complete(with_files(files)))) == set(CLIPS)


def test_droppings_are_sent_if_evidence_names_them_and_said_if_they_cannot_be() -> None:
    """Evidence wins; nothing that it names is dropped in silence."""
    files = {**CLIPS, ".DS_Store": b"x"}
    view = Roll({**CLIPS, "A012.md5": gnu(files)}).view()
    kept = judge(replace(view, dropped=(".DS_Store",), dropped_files=(Seen(".DS_Store", 1),)))
    assert isinstance(kept, Complete)
    assert ".DS_Store" in digests(kept)

    lost = judge(replace(view, dropped=(".DS_Store",)))
    assert isinstance(lost, Incomplete)
    assert "taken for no media" in lost.reason

    plain = judge(replace(with_files(HISTORY).view(), dropped_files=(Seen(".DS_Store", 1),)))
    assert isinstance(plain, Complete)
    assert ".DS_Store" not in digests(plain)


def test_a_failed_verification_is_never_accepted() -> None:
    """The manifest and the file are named."""
    second = manifest([record("Sidecar.txt", b"evil", "failed")])
    verdict = broken(with_files(history(manifest(records(CLIPS)), second)))

    assert verdict.code is HeldCode.EVIDENCE_MISMATCH
    assert verdict.path == "Sidecar.txt"
    assert verdict.message.startswith("ascmhl/0002_A012")

    lone = {"A012_2026-03-14_100500Z.mhl": second}
    assert "not to match" in broken(Roll(beside=lone)).message


def test_nested_histories_cover_their_folders() -> None:
    """Each speaks for the files that are closest to it."""
    inner = {path[6:]: data for path, data in CLIPS.items() if path.startswith("CLIPS/")}
    nested = history(manifest(records(inner)), scope="CLIPS")
    path = "CLIPS/" + FIRST
    top = manifest([record("Sidecar.txt", CLIPS["Sidecar.txt"])], references={path: nested[path]})
    verdict = complete(with_files({**nested, **history(top)}))

    assert digests(verdict) == XXH64S
    assert set(verdict.kinds) == {"ASC MHL generation 1", "ASC MHL generation 1 of CLIPS"}
    assert incomplete(with_files(nested)).unlisted == ("Sidecar.txt",)


def test_names_that_differ_only_in_unicode_form_are_the_same_file() -> None:
    """A list from one system, files copied by another; the disk's spelling is kept."""
    listed, on_disk = "caf\u00e9.wav", "cafe\u0301.wav"
    verdict = complete(Roll({on_disk: b"x", "A012.md5": gnu({listed: b"x"})}))

    assert digests(verdict) == {on_disk: [f"md5:{md5(b'x')}"]}


def test_evidence_over_nothing_is_no_roll() -> None:
    """An empty roll is never published."""
    assert incomplete(Roll(history(manifest([])))).code is HeldCode.FILE_MISSING


def test_an_unfinished_history_is_not_believed() -> None:
    """Copied without its chain, or cut in mid-file."""
    assert broken(with_files(HISTORY).without(CHAIN)).code is HeldCode.FILE_MISSING
    cut = {**HISTORY, FIRST: HISTORY[FIRST][:-20]}
    assert "C4 differs" in broken(with_files(cut)).message
    same = {FIRST: cut[FIRST], CHAIN: chain({FIRST.removeprefix("ascmhl/"): cut[FIRST]})}
    assert "not whole XML" in broken(with_files(same)).message


def test_a_comment_only_list_is_no_evidence() -> None:
    """It says nothing of any file, and is one itself."""
    assert judge(with_files({"A012.md5": b"# nothing yet\n"}).view()) == NoEvidence()


def test_errors_in_reading_pass_through() -> None:
    """They are the disk's, not the evidence's."""
    one = with_files(HISTORY)

    def fail(path: str) -> bytes:
        raise OSError(5, "Input/output error", path)

    with pytest.raises(OSError, match="Input/output"):
        judge(replace(one.view(), read=fail))


def test_twenty_thousand_files_are_judged_in_well_under_a_second() -> None:
    """0.45 s here with a history and as many records; the bound is wide for a busy machine."""
    files = {f"CLIPS/A012C001/A012C001.{frame:07}.ari": b"" for frame in range(20_000)}
    view = Roll({**files, **history(manifest(records(files)))}).view()
    began_s = time.process_time()
    verdict = judge(view)

    assert isinstance(verdict, Complete)
    assert time.process_time() - began_s < 3.0
