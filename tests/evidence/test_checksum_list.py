"""Checksum lists as GNU and BSD tools, their relatives on Windows, and people leave them behind."""

import hashlib
import shutil
import subprocess
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncd.errors import SyncdError
from syncd.evidence.checksum_list import (
    ChecksumList,
    is_list_name,
    parse_checksum_list,
)
from syncd.evidence.errors import EvidenceError
from syncd.roll.digests import Algorithm
from tests.evidence.samples import c4, md5, xxh64

MD5 = md5(b"")
C4 = c4(b"")


def parse(text: str, name: str = "A012.md5") -> ChecksumList:
    """Read a list given as text."""
    return parse_checksum_list(text.encode(), name=name)


def said(text: str, name: str = "A012.md5") -> dict[str, list[str]]:
    """Return each path with its digests as text."""
    return {entry.path: [str(d) for d in entry.digests] for entry in parse(text, name).entries}


@pytest.mark.parametrize(
    "line",
    [
        f"{MD5}  CLIPS/a.mov",
        f"{MD5} *CLIPS/a.mov",
        f"{MD5} CLIPS/a.mov",
        f"{MD5}\tCLIPS/a.mov",
        f"{MD5.upper()}  CLIPS/a.mov",
        f"{MD5}  ./CLIPS/a.mov",
        f"{MD5} *CLIPS\\a.mov",
        f"{MD5} *.\\CLIPS\\a.mov",
        f"\\{MD5} *CLIPS\\\\a.mov",
        f"  {MD5}  CLIPS/a.mov",
        f"MD5 (CLIPS/a.mov) = {MD5}",
        f"MD5(CLIPS/a.mov)= {MD5}",
        f"MD5 (CLIPS/a.mov) = {MD5.upper()}",
    ],
)
@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("start", ["", "\ufeff"])
def test_one_file_in_every_form(line: str, end: str, start: str) -> None:
    """GNU and BSD, text and binary, LF and CRLF, with and without a mark at the start."""
    assert said(start + line + end) == {"CLIPS/a.mov": [f"md5:{MD5}"]}


@pytest.mark.parametrize(
    ("digits", "name", "expected"),
    [
        (MD5, "A012.md5", "md5"),
        (MD5, "checksums.txt", "md5"),
        (MD5, "A012.xxh128", "xxh128"),
        (MD5, "A012.xxh", "xxh128"),
        (MD5, "XXH128SUMS", "xxh128"),
        ("0" * 40, "A012.sha1", "sha1"),
        ("0" * 40, "A012.md5", "sha1"),
        ("0" * 64, "SHA256SUMS", "sha256"),
        ("0" * 128, "A012.sha512", "sha512"),
        ("0" * 16, "A012.xxh64", "xxh64"),
        ("0" * 16, "A012.xxh", "xxh64"),
        ("0" * 16, "checksums.txt", "xxh64"),
        ("0" * 16, "A012.xxh3", "xxh3"),
        ("0" * 16, "CLIPS/XXH3SUMS.txt", "xxh3"),
        ("XXH3_" + "0" * 16, "A012.xxh64", "xxh3"),
        (C4, "A012.c4", "c4"),
        (C4, "A012.md5", "c4"),
    ],
)
def test_an_untagged_digest_is_what_its_length_and_the_lists_name_say(
    digits: str, name: str, expected: str
) -> None:
    """The length decides; the name decides between algorithms of one length."""
    entries = parse(f"{digits}  a.mov\n", name).entries
    assert [digest.algorithm for digest in entries[0].digests] == [expected]


@pytest.mark.parametrize(
    ("tag", "digits", "expected"),
    [
        ("MD5", MD5, "md5"),
        ("SHA1", "0" * 40, "sha1"),
        ("SHA256", "0" * 64, "sha256"),
        ("SHA2-256", "0" * 64, "sha256"),
        ("SHA512", "0" * 128, "sha512"),
        ("XXH64", "0" * 16, "xxh64"),
        ("XXH3", "0" * 16, "xxh3"),
        ("XXH3_64", "0" * 16, "xxh3"),
        ("XXH128", MD5, "xxh128"),
        ("XXH3_128", MD5, "xxh128"),
        ("C4", C4, "c4"),
    ],
)
def test_a_tag_says_the_algorithm_whatever_the_lists_name(
    tag: str, digits: str, expected: str
) -> None:
    """As BSD tools, OpenSSL and xxhsum write it."""
    entries = parse(f"{tag} (a (1).mov) = {digits}\n", "checksums.md5").entries
    assert [(e.path, [d.algorithm for d in e.digests]) for e in entries] == [
        ("a (1).mov", [expected])
    ]


@pytest.mark.parametrize(
    "line",
    [
        "XXH32 (a.mov) = 02cc5d05",
        "02cc5d05  a.mov",
        "XXH64_LE (a.mov) = 99e9d85137db46ef",
        f"SHA224 (a.mov) = {'0' * 56}",
        f"{'0' * 96}  a.mov",
    ],
)
def test_a_digest_that_does_not_count_lists_the_file_without_proof(line: str) -> None:
    """32 bits prove nothing, and what is not one of ours cannot be checked."""
    assert said(line + "\n") == {"a.mov": []}


def test_comments_and_empty_lines_say_nothing() -> None:
    """With `#` or `;`, as several tools put a head on their lists."""
    text = f"# made on set\n; x\n\n   \n{MD5}  a\n\r\n#{MD5}  b\n"
    assert set(said(text)) == {"a"}


def test_escapes_are_those_of_gnu() -> None:
    """A line that begins with a backslash has them; others have none."""
    assert set(said(f"\\{MD5}  a\\nb\\\\c\\rd/e\n")) == {"a\nb\\c\rd/e"}
    assert set(said(f"{MD5}  a/b\\nc\n")) == {"a/b\\nc"}
    with pytest.raises(EvidenceError, match="no escape"):
        parse(f"\\{MD5}  a\\x\n")


def test_backslashes_separate_only_where_no_slash_does() -> None:
    """A whole list from Windows is told by having no other separator."""
    assert set(said(f"{MD5}  A\\b\n{MD5}  c\n")) == {"A/b", "c"}
    assert set(said(f"{MD5}  A\\b\n{MD5}  d/c\n")) == {"A\\b", "d/c"}


def test_a_sidecar_of_one_bare_digest_is_about_the_file_it_is_named_after() -> None:
    """`a.mov.md5` with nothing but the digest; a bare digest elsewhere is no line of a list."""
    assert said(f"{MD5}\n", "CLIPS/a.mov.md5") == {"a.mov": [f"md5:{MD5}"]}
    with pytest.raises(EvidenceError, match="no line of a checksum list"):
        parse(f"{MD5}\n", "MD5SUMS")


@pytest.mark.parametrize(
    ("text", "is_finished", "paths"),
    [
        ("", False, []),
        (f"{MD5}  a", False, []),
        (f"{MD5}  a\n", True, ["a"]),
        (f"{MD5}  a\n{MD5[:9]}", False, ["a"]),
        (f"{MD5}  a\n{MD5}  b", False, ["a"]),
        (f"{MD5}  a\r\n", True, ["a"]),
        (f"{MD5}  a\n\n", True, ["a"]),
        (f"{MD5}  a\n  ", True, ["a"]),
    ],
)
def test_a_list_without_an_end_to_its_last_line_is_not_finished(
    text: str, is_finished: bool, paths: list[str]
) -> None:
    """It may still grow: the open line counts for nothing, not even as an error."""
    listing = parse(text)

    assert listing.is_finished is is_finished
    assert [entry.path for entry in listing.entries] == paths


@pytest.mark.parametrize("cut", range(len(f"{MD5}  a\r\n{MD5} *b\n")))
def test_a_growing_list_is_never_an_error(cut: int) -> None:
    """Byte by byte, as a tool writes it."""
    whole = f"{MD5}  a\r\n{MD5} *b\n"
    assert len(parse(whole[:cut]).entries) in {0, 1}


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("not a list", "no line of a checksum list"),
        ("d41d8cd9  ", "no line of a checksum list"),
        (f"{MD5}", "no line of a checksum list"),
        (f"{MD5}  /Volumes/A012/a.mov", "not relative"),
        (f"{MD5}  C:\\A012\\a.mov", "not relative"),
        (f"{MD5}  ../a.mov", r'part "\." or "\.\."'),
        (f"{MD5}  CLIPS/../../a.mov", r'part "\." or "\.\."'),
        (f"{MD5}  CLIPS//a.mov", "not a path of a file"),
        (f"{MD5}  CLIPS/", "not a path of a file"),
        ("MD5 (a) = 0123456789", "is no md5 digest"),
        (f"SHA1 (a) = {MD5}", "is no sha1 digest"),
        (f"XXH3_{MD5}  a", "is no xxh3 digest"),
    ],
)
def test_a_line_that_cannot_be_meant_is_named(line: str, says: str) -> None:
    """With the list, the line and what to do, fit to be shown."""
    with pytest.raises(EvidenceError, match=says) as caught:
        parse(f"{MD5}  first\n\n{line}\n", "MD5SUMS")

    assert caught.value.problem.startswith("MD5SUMS, line 3: ")
    assert (caught.value.list_path, caught.value.line) == ("MD5SUMS", 3)
    assert caught.value.remedy
    assert isinstance(caught.value, SyncdError)


def test_bytes_that_are_no_utf8_are_an_error_in_a_path_only() -> None:
    """A comment in another encoding harms nobody."""
    listing = parse_checksum_list(b"# Gr\xf6\xdfe\n" + MD5.encode() + b"  a\n", name="A012.md5")
    assert [entry.path for entry in listing.entries] == ["a"]
    with pytest.raises(EvidenceError, match=r"Gr\\xf6\\xdfe is not UTF-8"):
        parse_checksum_list(MD5.encode() + b"  Gr\xf6\xdfe\n", name="A012.md5")


def test_a_list_in_utf16_is_told_so() -> None:
    """As some Windows shells write whatever is redirected."""
    with pytest.raises(EvidenceError, match=r"UTF-16.*goes on by itself"):
        parse_checksum_list(f"{MD5}  a\n".encode("utf-16"), name="A012.md5")


def test_a_file_twice_with_one_digest_is_fine_and_with_two_is_an_error() -> None:
    """Two algorithms for one file are put together."""
    two = f"{MD5}  a\nXXH64 (a) = {xxh64(b'')}\n{MD5} *./a\n"
    assert said(two) == {"a": [f"md5:{MD5}", f"xxh64:{xxh64(b'')}"]}

    with pytest.raises(EvidenceError, match="another md5 on line 1") as caught:
        parse(f"{MD5}  a\n{md5(b'x')}  a\n")
    assert (caught.value.line, caught.value.path) == (2, "a")


@pytest.mark.parametrize(
    "name",
    ["A012.md5", "a.MD5", "x/y.sha256", "MD5SUMS", "sha256sum.txt", "checksums.txt", "CHECKSUM",
     "A012.xxh3", "A012.xxh", "A012.c4", "A012.md5sum", "A012.md5.txt", "hashes.txt"],
)  # fmt: skip
def test_names_of_lists(name: str) -> None:
    """By their ending, or the names that the tools' manuals use."""
    assert is_list_name(name)


@pytest.mark.parametrize(
    "name", ["A012C001.mov", "md5", ".md5", "notes.txt", "A012.mhl", "md5/a.mov", "sums", "a.sfv"]
)
def test_names_of_others(name: str) -> None:
    """Everything else is media until evidence covers it."""
    assert not is_list_name(name)


@settings(deadline=None)
@given(st.dictionaries(st.text(st.characters(codec="utf-8"), min_size=1, max_size=9), st.binary()))
def test_whatever_gnu_writes_is_read_back(files: dict[str, bytes]) -> None:
    """Names with anything in them, escaped by the rule of the coreutils manual."""
    names = {
        name: data
        for name, data in files.items()
        if "/" not in name and "\0" not in name and name not in {".", ".."}
    }
    if any("\\" in name for name in names):  # else a list from Windows
        names["folder/file"] = b""
    lines = []
    for name, data in names.items():
        escaped = name.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
        lines.append(f"{chr(92) * (escaped != name)}{md5(data)}  {escaped}\n")

    listed = said("".join(lines))
    assert listed == {name: [f"md5:{md5(data)}"] for name, data in names.items()}


@settings(deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_give_a_list_or_an_error_that_names_it(data: bytes) -> None:
    """A stranger's file cannot do worse."""
    try:
        parse_checksum_list(data, name="A012.md5")
    except EvidenceError as error:
        assert error.problem.startswith("A012.md5")  # noqa: PT017
        assert error.problem.isprintable()  # noqa: PT017


@pytest.mark.parametrize(
    ("tool", "algorithm"),
    [
        (["md5sum"], Algorithm.MD5),
        (["md5sum", "-b"], Algorithm.MD5),
        (["sha1sum", "--tag"], Algorithm.SHA1),
        (["sha256sum"], Algorithm.SHA256),
        (["sha512sum", "--tag"], Algorithm.SHA512),
        (["xxhsum"], Algorithm.XXH64),
        (["xxhsum", "-H3"], Algorithm.XXH3),
        (["xxhsum", "-H2", "--tag"], Algorithm.XXH128),
    ],
)
def test_what_the_installed_tools_print_is_read(
    tool: list[str], algorithm: Algorithm, tmp_path: Path
) -> None:
    """The real programs, with names that they escape."""
    if shutil.which(tool[0]) is None:
        pytest.skip(f"{tool[0]} is not installed")
    names = ["a b (1).mov", "Größe.wav"]
    if tool[0] != "xxhsum":
        names.append("new\nline")
    for name in names:
        (tmp_path / name).write_bytes(name.encode())
    printed = subprocess.run([*tool, *names], cwd=tmp_path, capture_output=True, check=True).stdout

    entries = parse_checksum_list(printed, name=f"A012.{algorithm}").entries
    assert [entry.path for entry in entries] == names
    for entry in entries:
        (digest,) = entry.digests
        assert digest.algorithm is algorithm
        if algorithm in hashlib.algorithms_available:
            assert digest.text == hashlib.new(algorithm, entry.path.encode()).hexdigest()
