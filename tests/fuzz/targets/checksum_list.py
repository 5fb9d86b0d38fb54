"""Checksum lists. The first byte chooses the name, which decides what an untagged digest is.

With AGAIN in it, what was read is also written and read again, which takes as long once more.
"""

from syncd.evidence.checksum_list import parse_checksum_list
from syncd.evidence.errors import EvidenceError
from syncd.evidence.paths import path_problem
from tests.fuzz.said import check_said
from tests.fuzz.target import Target

NAMES = ("A012.md5", "A012.xxh", "checksums.txt", "A012C001.mov.xxh3", "sha256sums", "x.c4")
AGAIN = 128
MD5, XXH64 = "0123456789abcdef" * 2, "0123456789abcdef"


def one(data: bytes) -> bool:
    """Try one input."""
    if not data:
        return False
    try:
        found = parse_checksum_list(data[1:], name=_name(data[0]))
    except EvidenceError as error:
        check_said(error)
        return False
    assert not any(path_problem(entry.path) for entry in found.entries)
    assert len({entry.path for entry in found.entries}) == len(found.entries)
    if data[0] & AGAIN:
        _check_again(found.entries, _name(data[0]))
    return True


def _name(first: int) -> str:
    return NAMES[(first & ~AGAIN) % len(NAMES)]


def _check_again(entries: tuple[object, ...], name: str) -> None:
    """Write what was read as tagged lines, and read these: the same digests for the same paths."""
    lines, said = [], {}
    for entry in entries:
        path, digests = entry.path, entry.digests  # type: ignore[attr-defined]
        if digests and not set(path) & set("\\\n\r") and path == path.strip():
            said[path] = set(digests)
            lines += [f"{d.algorithm.upper()} ({path}) = {d.text}\n" for d in digests]
    again = parse_checksum_list("".join(lines).encode(), name=name)
    assert {entry.path: set(entry.digests) for entry in again.entries} == said


def seeds() -> list[bytes]:
    """Return valid examples."""
    once = [
        b"\0"
        + f"# made by a person\n{MD5}  CLIPS/a.mov\r\n{MD5} *b.mov\n\\{MD5}  a\\nb\n".encode(),
        b"\2"
        + f"MD5 (CLIPS/a.mov) = {MD5}\nXXH3_{XXH64}  b.mov\nSHA1(c)= {MD5}01234567\n".encode(),
        b"\3" + f"\ufeff{XXH64}\n".encode(),
        b"\1" + f"{MD5}  CLIPS\\a.mov\n{XXH64}  CLIPS\\b.mov".encode(),
    ]
    return [*once, *(bytes([seed[0] | AGAIN]) + seed[1:] for seed in once)]


TARGET = Target(
    "checksum-list",
    one,
    seeds,
    prefix_bytes=1,
    tokens=(
        b"\\", b"\\n", b"MD5 (", b") = ", b"  ", b" *", b"./", b"../", b"\xff", b"\xff\xfe",
        b"XXH3_",
        b"c4" + b"1" * 88, MD5.encode(), XXH64.encode(), b"\n", b"\r\n", b"\0", b"(" * 50,
        b")=" * 50,
    ),
)  # fmt: skip
