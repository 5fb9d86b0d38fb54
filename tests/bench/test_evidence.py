"""The benchmark of algorithms in small, and its arithmetic."""

import hashlib
from pathlib import Path

import pytest

from tests.bench.evidence import Handed, could_be_s, early_part, hand_over, stage
from tests.bench.trace import Passed


def passed(at_s: float, mib: int) -> Passed:
    """Make bytes that passed a disk."""
    return Passed(at_s, "disk_0", "A012C000.mov", 0, mib << 20)


def test_what_was_read_back_before_the_last_byte_came_is_early() -> None:
    """One of four MiB was."""
    written = [passed(1.0, 1), passed(4.0, 1)]

    assert early_part(written, [passed(3.0, 1), passed(4.5, 3)]) == 0.25


@pytest.mark.parametrize(
    ("clips", "alone_s", "cores", "expected_s"),
    [
        (1, 1.0, 64, 4.0),  # hidden behind the transfer
        (1, 8.0, 64, 9.0),  # one file is hashed by one core
        (8, 8.0, 64, 5.0),  # and two files by two
        (8, 8.0, 2, 8.0),  # which have the transfer's own six seconds of work, too
    ],
)
def test_what_could_be_is_bounded_by_the_longest_part(
    clips: int, alone_s: float, cores: int, expected_s: float
) -> None:
    """Of a hand-off of 4 s, one of them until the first byte, that costs 6 s of processor."""
    base = Handed(4.0, 1.0, 6.0, 0.0)

    assert could_be_s(base, alone_s, clips, cores) == expected_s


def test_a_roll_with_evidence_in_c4_is_staged_handed_over_and_put_back(tmp_path: Path) -> None:
    """Its digests are those of the bytes on the disk, or it would not be ready."""
    staged = stage(tmp_path / "A012", 5 << 20, 2, ("md5", "c4"))

    handed = hand_over(tmp_path, staged, "c4")

    assert 0 < handed.first_s < handed.seconds
    assert handed.cpu_s > 0
    for path, (size, text) in staged.digests["md5"].items():
        data = (staged.folder / path).read_bytes()
        assert (len(data), hashlib.md5(data, usedforsecurity=False).hexdigest()) == (size, text)
