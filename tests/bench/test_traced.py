"""What the benchmarks read out of traces of real disks."""

from pathlib import Path

import pytest

from tests.bench.latency import moments
from tests.bench.rush import Rushed, rushed
from tests.bench.trace import Passed, Tracer, read_trace
from tests.bench.traced import TracedFolder


def passed(at_s: float, name: str = "A012C001.mov", thread: str = "disk_0") -> Passed:
    """Make a MiB that passed a disk."""
    return Passed(at_s, thread, name, 0, 1 << 20)


def test_footage_is_read_and_written_as_it_is_and_noted(tmp_path: Path) -> None:
    """The bytes are those of any disk; a read is noted when it is asked for, and when it ends."""
    reads, writes = tmp_path / "reads", tmp_path / "writes"
    folder = TracedFolder(str(tmp_path), Tracer(reads), Tracer(writes))
    out = folder.open_write("A012C001.mov")
    out.write([memoryview(b"salt "), memoryview(b"meridian")], 3)
    out.close()
    back = folder.open_read("A012C001.mov")
    data = bytearray(20)
    count = back.read_into(memoryview(data), 3)
    back.close()
    folder.close()

    assert bytes(data[:count]) == b"salt meridian"
    assert (tmp_path / "A012C001.mov").read_bytes() == b"\0\0\0salt meridian"
    assert [(one.name, one.length_bytes) for one in read_trace(writes)] == [("A012C001.mov", 13)]
    assert [one.length_bytes for one in read_trace(reads)] == [0, 13]


def test_the_ways_of_a_roll_are_told_apart() -> None:
    """Other rolls before and after, and other files, count for nothing."""
    written = [passed(1.0), passed(5.0), passed(6.0, "A012C002.mov"), passed(9.0)]
    read_back = [passed(5.5), passed(5.9), passed(6.2, "A012C002.mov"), passed(6.5, "A012C002.mov")]

    found = moments(4.0, 7.0, written, read_back)

    assert (found.first_s, found.last_s, found.command_s) == (5.0, 6.0, 7.0)
    assert found.read_back_s == pytest.approx(0.3)


def test_a_rush_counts_from_asking_to_the_rolls_own_first_byte() -> None:
    """Bytes of another roll are none of it; a roll that moved already is an error."""
    read = [passed(1.0), passed(2.125), passed(2.25, "B001C001.mov"), passed(2.5, "B001C001.mov")]
    written = [passed(1.1), passed(2.375), passed(2.5, "B001C001.mov")]

    assert rushed("B001", 2.0, 2.125, read, written) == Rushed(0.25, 0.5, 0.125)
    with pytest.raises(AssertionError, match="moved before"):
        rushed("B001", 2.375, 2.5, read, written)
