"""Ignore patterns of a manifest: one a line; the last line is a path that they are asked about."""

import warnings

from syncd.evidence.errors import EvidenceError
from syncd.evidence.ignoring import Ignoring
from tests.fuzz.said import check_said
from tests.fuzz.target import Target


def one(data: bytes) -> bool:
    """Try one input."""
    *patterns, path = data.decode("utf-8", "replace").split("\n")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", FutureWarning)  # "[[" may mean a set one day
            ignoring = Ignoring(patterns, "ascmhl/0001.mhl")
    except EvidenceError as error:
        check_said(error)
        return False
    assert ignoring.patterns == tuple(dict.fromkeys(patterns))
    ignoring.is_ignored(path)
    ignoring.is_folder_ignored(path)
    return True


TARGET = Target(
    "ignore-patterns",
    one,
    lambda: [b".DS_Store\nascmhl/\nClips/A012C001.mov", b"**/*.tm[a-p]\n!keep?.tmp\na/b.tmp"],
    tokens=(
        b"*", b"**", b"**/", b"/**", b"?", b"[", b"]", b"[!", b"[^", b"[z-a]", b"[[:alpha:]]",
        b"\\",
        b"!", b"#", b"/", b"\n", b"(", b")", b"{2}", b"\xff", b"aaaa", b"[]]", b"[a&&b]",
    ),
    bytes_max=300,
)  # fmt: skip
