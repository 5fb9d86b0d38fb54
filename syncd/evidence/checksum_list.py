r"""Plain checksum lists as GNU and BSD tools write them, and their relatives from Windows.

    d41d8cd98f00b204e9800998ecf8427e  CLIPS/A012C001.mov      GNU; `*` before the path: binary
    \d41d8cd98f00b204e9800998ecf8427e  a\nb                   GNU; the path has escapes
    XXH3_2d06800538d394c2  CLIPS/A012C001.mov                 GNU style with the algorithm in front
    MD5 (CLIPS/A012C001.mov) = d41d8cd98f00b204e9800998ecf8427e       BSD

Owns: the grammar, and which algorithm an untagged digest is. Must not: read files, or know rolls.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from syncd.evidence.errors import EvidenceError
from syncd.evidence.listed import ListedFile, merged
from syncd.evidence.paths import name_of, path_problem
from syncd.roll.digests import Algorithm, Digest, parse_digest
from syncd.roll.names import shown

BOM = b"\xef\xbb\xbf"
BOMS_UTF16 = (b"\xff\xfe", b"\xfe\xff")

_BY_SUFFIX: dict[str, Algorithm | None] = {
    "md5": Algorithm.MD5,
    "sha1": Algorithm.SHA1,
    "sha256": Algorithm.SHA256,
    "sha512": Algorithm.SHA512,
    "xxh64": Algorithm.XXH64,
    "xxh3": Algorithm.XXH3,
    "xxh128": Algorithm.XXH128,
    "c4": Algorithm.C4,
    "xxh": None,  # 64 or 128 bits, by length
    "xxhash": None,
}
_KNOWN = "|".join(_BY_SUFFIX)
_LIST_NAME = re.compile(
    rf"(?:.+\.({_KNOWN})(?:sums?)?|({_KNOWN})[-_]?sums?(?:\.txt)?|.+\.({_KNOWN})\.txt"
    r"|(?:checksums?|hashes)(?:\.txt)?)",
    re.IGNORECASE,
)
_BY_HEX_LENGTH: dict[int, Algorithm] = {
    16: Algorithm.XXH64,
    32: Algorithm.MD5,
    40: Algorithm.SHA1,
    64: Algorithm.SHA256,
    128: Algorithm.SHA512,
}
_TAGS: dict[str, Algorithm] = {
    **{algorithm.value.upper(): algorithm for algorithm in Algorithm},
    "XXH3_64": Algorithm.XXH3,
    "XXH3_128": Algorithm.XXH128,
    "SHA2-256": Algorithm.SHA256,
    "SHA2-512": Algorithm.SHA512,
}
_C4_OR_HEX = r"c4[1-9A-HJ-NP-Za-km-z]{88}|(?:XXH3_)?[0-9A-Fa-f]{8,128}"
_GNU = re.compile(rf"(\\?)({_C4_OR_HEX})(?: [ *]|[ \t](?! ))(.+)", re.DOTALL)
_BSD = re.compile(r"(\\?)([A-Z][A-Za-z0-9_/-]{1,15}) ?\((.+)\) ?= ?([0-9A-Za-z]{8,128})", re.DOTALL)
_BARE = re.compile(_C4_OR_HEX)
_ESCAPES = {"\\\\": "\\", "\\n": "\n", "\\r": "\r"}
_ESCAPE = re.compile(r"\\.", re.DOTALL)


@dataclass(frozen=True, slots=True)
class ChecksumList:
    """One list, read to its end.

    name: the list, as it was given.
    entries: one for each path, in the order of the list, its digests put together.
    is_finished: whether the last line is ended; an unended one is left out of entries.
    """

    name: str
    entries: tuple[ListedFile, ...]
    is_finished: bool


def is_list_name(name: str) -> bool:
    """Tell whether a file may be a checksum list, judging by its name."""
    return _LIST_NAME.fullmatch(name_of(name)) is not None


def parse_checksum_list(data: bytes, *, name: str) -> ChecksumList:
    """Read a list. Raises EvidenceError naming the list and the line.

    name: the list's path; its last part decides what an untagged digest is.
    """
    if data.startswith(BOMS_UTF16):
        remedy = "Save it as UTF-8; the roll goes on by itself."
        raise EvidenceError(name, "the list is UTF-16", remedy=remedy)
    text = data.removeprefix(BOM).decode("utf-8", "surrogateescape")
    *lines, rest = text.split("\n")
    return ChecksumList(
        name=name,
        entries=merged(name, _with_separators(name, _parse(name, lines))),
        is_finished=not rest.strip() and bool(lines),
    )


def _parse(name: str, lines: Iterable[str]) -> Iterator[ListedFile]:
    hint = _hint(name)
    for number, raw in enumerate(lines, 1):
        line = raw.removesuffix("\r").lstrip(" \t")
        if not line or line[0] in "#;":
            continue
        yield _parse_line(name, number, line, hint)


def _parse_line(name: str, number: int, line: str, hint: Algorithm | None) -> ListedFile:
    if match := _BSD.fullmatch(line):
        escaped, tag, path, text = match.groups()
        algorithm = _TAGS.get(tag.upper())
    elif match := _GNU.fullmatch(line):
        escaped, text, path = match.groups()
        algorithm, text = _algorithm_of(text, hint)
    elif _BARE.fullmatch(line.rstrip()) and (sidecar := _file_of_sidecar(name)):
        escaped, path = "", sidecar
        algorithm, text = _algorithm_of(line.rstrip(), hint)
    else:
        raise EvidenceError(name, "it is no line of a checksum list", line=number)
    if escaped:
        path = _unescape(name, number, path)
    if not path.isascii() and any("\udc80" <= character <= "\udcff" for character in path):
        raise EvidenceError(name, f"the path {shown(path)} is not UTF-8", line=number)
    return ListedFile(path, _digests(name, number, algorithm, text), line=number)


def _digests(name: str, number: int, algorithm: Algorithm | None, text: str) -> tuple[Digest, ...]:
    """Read one digest; none, if the algorithm is one that does not count."""
    if algorithm is None:
        return ()
    try:
        return (parse_digest(algorithm, text),)
    except ValueError as error:
        raise EvidenceError(name, f"{shown(text)} is no {algorithm} digest", line=number) from error


def _hint(name: str) -> Algorithm | None:
    """Return the algorithm that a list's name tells, XXH128 for one that leaves 64 or 128 open."""
    match = _LIST_NAME.fullmatch(name_of(name))
    suffix = next((group.lower() for group in match.groups() if group), "") if match else ""
    return Algorithm.XXH128 if suffix in {"xxh", "xxhash"} else _BY_SUFFIX.get(suffix)


def _algorithm_of(text: str, hint: Algorithm | None) -> tuple[Algorithm | None, str]:
    """Tell the algorithm of an untagged digest, and return its digits alone.

    The length decides; the name of the list decides between algorithms of one length.
    """
    if len(text) == 90:
        return Algorithm.C4, text
    if text.startswith("XXH3_"):
        return Algorithm.XXH3, text.removeprefix("XXH3_")
    algorithm = _BY_HEX_LENGTH.get(len(text))
    if len(text) == 16 and hint is Algorithm.XXH3:
        algorithm = Algorithm.XXH3
    if len(text) == 32 and hint is Algorithm.XXH128:
        algorithm = Algorithm.XXH128
    return algorithm, text


def _file_of_sidecar(name: str) -> str | None:
    """Return the file that a list of one bare digest is about: `x.mov` for `x.mov.md5`."""
    stem, _, suffix = name_of(name).rpartition(".")
    return stem if suffix.lower() in _BY_SUFFIX else None


def _unescape(name: str, number: int, path: str) -> str:
    def resolve(match: re.Match[str]) -> str:
        found = _ESCAPES.get(match.group())
        if found is None:
            raise EvidenceError(name, f"{shown(match.group())} is no escape", line=number)
        return found

    return _ESCAPE.sub(resolve, path)


def _with_separators(name: str, entries: Iterable[ListedFile]) -> Iterator[ListedFile]:
    """Make paths from Windows ours, drop a leading `./`, and refuse what leads out."""
    known = list(entries)
    is_windows = any("\\" in entry.path for entry in known) and not any(
        "/" in entry.path for entry in known
    )
    for entry in known:
        path = entry.path.replace("\\", "/") if is_windows else entry.path
        path = path.removeprefix("./")
        wrong = path_problem(path)
        if wrong is not None:
            raise EvidenceError(name, f"the path {shown(path)} {wrong}", line=entry.line)
        yield entry if path == entry.path else replace(entry, path=path)
