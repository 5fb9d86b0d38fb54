"""A real daemon on a hollow disk: footage is generated when read, compared when written, not kept.

    python -m tests.bench.hollow source run -c FILE      the landing's footage is generated
    python -m tests.bench.hollow storage run -c FILE     the storage keeps no footage

Names, sizes, times and everything that is no footage (journal, keys, marker, evidence) are real,
on the real disk; footage files are sparse. The storage keeps of them which bytes were written, and
those that are not what pattern.py says: a wrong or missing byte reads back wrong, as from any disk.
With --flip NAME:OFFSET it gives back one wrong bit there, once; with --flip-always, ever.
When a roll is published, the storage says on stderr what it got, whatever syncd thinks it got.
"""

import argparse
import os
import sys
import threading
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from pathlib import Path

from syncd import node
from syncd.cli.main import main as syncd_main
from syncd.edges.disk import RealDisk, RealFolder
from syncd.edges.open_file import RealFile
from syncd.ports import Folder
from tests.bench.pattern import PERIOD_BYTES, Pattern
from tests.bench.trace import Tracer

FOOTAGE = (".mov", ".dpx", ".wav")
PUBLISHED = "hollow storage: bytes as generated in"
CAPACITY_BYTES = 4 * 10**12  # what the storage says is free: room for everything


class Written:
    """Which bytes of one file were written, and those that differ from its pattern."""

    def __init__(self) -> None:
        self._edges: list[int] = []  # begin, end, begin, end: ascending, never touching
        self._wrong: dict[int, bytes] = {}
        self._lock = threading.Lock()

    def add(self, pattern: Pattern, view: memoryview, offset_bytes: int) -> None:
        """Take note of bytes; only those that are not of the pattern are kept."""
        with self._lock:
            self._cover(offset_bytes, offset_bytes + len(view))
            for start in range(0, len(view), PERIOD_BYTES):
                part, at = view[start : start + PERIOD_BYTES], offset_bytes + start
                self._forget_wrong(at, at + len(part))
                if not pattern.is_at(part, at):
                    self._wrong[at] = bytes(part)

    def good_bytes(self) -> int:
        """Return how many bytes are there as the pattern has them."""
        with self._lock:
            covered = sum(self._edges[1::2]) - sum(self._edges[::2])
            return covered - sum(len(data) for data in self._wrong.values())

    def correct(self, view: memoryview, offset_bytes: int) -> None:
        """Turn the pattern in view into what really was written."""
        end = offset_bytes + len(view)
        with self._lock:
            for gap_start, gap_end in self._gaps(offset_bytes, end):
                view[gap_start - offset_bytes : gap_end - offset_bytes] = bytes(gap_end - gap_start)
            for at, data in self._wrong.items():
                first, last = max(at, offset_bytes), min(at + len(data), end)
                if first < last:
                    wrong = data[first - at : last - at]
                    view[first - offset_bytes : last - offset_bytes] = wrong

    def _cover(self, begin: int, end: int) -> None:
        left, right = bisect_left(self._edges, begin), bisect_right(self._edges, end)
        # An odd place is within a stretch that is covered already.
        self._edges[left:right] = [begin] * (left % 2 == 0) + [end] * (right % 2 == 0)

    def _gaps(self, begin: int, end: int) -> list[tuple[int, int]]:
        edges = [0, *self._edges, sys.maxsize]
        pairs = zip(edges[::2], edges[1::2], strict=True)
        cut = [(max(first, begin), min(last, end)) for first, last in pairs]
        return [(first, last) for first, last in cut if first < last]

    def _forget_wrong(self, begin: int, end: int) -> None:
        """What is written over is not there any more; parts that stay keep their bytes."""
        for at in [at for at, data in self._wrong.items() if at < end and at + len(data) > begin]:
            data = self._wrong.pop(at)
            if at < begin:
                self._wrong[at] = data[: begin - at]
            if at + len(data) > end:
                self._wrong[end] = data[end - at :]


class Ledger:
    """What was written to each footage file that is not published yet, by its path."""

    def __init__(self, flip: tuple[str, int] | None = None, *, always: bool = False) -> None:
        self._files: dict[str, Written] = {}
        self._lock = threading.Lock()
        self._flip = flip
        self._always = always

    def of(self, path: str) -> Written:
        """Return the record of one file."""
        with self._lock:
            return self._files.setdefault(path, Written())

    def forget(self, path: str) -> int:
        """Forget what lies below path, nobody reads it again; return how many bytes were good."""
        with self._lock:
            below = [known for known in self._files if known.startswith(f"{path}/")]
            return sum(self._files.pop(known).good_bytes() for known in below)

    def spoil(self, name: str, view: memoryview, offset_bytes: int) -> None:
        """Turn one bit of what is read, if that is asked for here."""
        if self._flip is None or self._flip[0] != name:
            return
        place = self._flip[1] - offset_bytes
        if 0 <= place < len(view):
            view[place] ^= 1
            if not self._always:
                self._flip = None


class HollowFile(RealFile):
    """A sparse file whose bytes are generated; ledger None: all of them were always there."""

    def __init__(
        self, fd: int, path: str, ledger: Ledger | None, tracer: Tracer | None = None
    ) -> None:
        super().__init__(fd, os.path.basename(path))
        self._tracer = tracer
        self._pattern = Pattern(self._name)
        self._ledger = ledger
        self._written = None if ledger is None else ledger.of(path)

    def read_into(self, view: memoryview, offset_bytes: int) -> int:
        count = max(0, min(len(view), self.size_bytes() - offset_bytes))
        view = view[:count]
        if self._tracer is not None and self._ledger is None:
            self._tracer.note(self._name, offset_bytes, count)
        self._pattern.fill(view, offset_bytes)
        if self._ledger is not None and self._written is not None:
            self._written.correct(view, offset_bytes)
            self._ledger.spoil(self._name, view, offset_bytes)
        return count

    def write(self, views: Sequence[memoryview], offset_bytes: int) -> None:
        assert self._written is not None, "a source is only read"
        for view in views:
            if self._tracer is not None:
                self._tracer.note(self._name, offset_bytes, len(view))
            self._written.add(self._pattern, view, offset_bytes)
            offset_bytes += len(view)
        if offset_bytes > self.size_bytes():
            os.ftruncate(self._fd, offset_bytes)


class HollowFolder(RealFolder):
    """A real folder, but for the bytes of footage."""

    def __init__(self, path: str, ledger: Ledger | None, tracer: Tracer | None = None) -> None:
        super().__init__(path)
        self._ledger = ledger
        self._tracer = tracer

    def _open_file(self, path: str, flags: int) -> RealFile:
        file = super()._open_file(path, flags)
        if not path.endswith(FOOTAGE):
            return file
        hollow = HollowFile(os.dup(file._fd), path, self._ledger, self._tracer)
        file.close()
        return hollow

    def rename_new(self, source: str, target: str) -> None:
        super().rename_new(source, target)
        if self._ledger is not None:
            good_bytes = self._ledger.forget(source)
            print(f"{PUBLISHED} {target}: {good_bytes}", file=sys.stderr, flush=True)

    def free_bytes(self) -> int:
        return CAPACITY_BYTES


class HollowDisk(RealDisk):
    """The real disk with hollow folders."""

    ledger: Ledger | None = None
    tracer: Tracer | None = None

    def open_folder(self, path: str) -> Folder:
        return HollowFolder(path, self.ledger, self.tracer)


def good_bytes_of(log: str, target: str) -> int | None:
    """Return what a storage's log says that it got of a published roll; None: not published."""
    lines = [line for line in log.splitlines() if line.startswith(f"{PUBLISHED} {target}: ")]
    return int(lines[-1].rpartition(" ")[2]) if lines else None


def main() -> None:
    """Run syncd's own command on a hollow disk."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.hollow")
    parser.add_argument("--flip", metavar="NAME:OFFSET")
    parser.add_argument("--flip-always", action="store_true")
    parser.add_argument("--trace", type=Path, help="write down what passes and when")
    parser.add_argument("side", choices=("source", "storage"))
    parser.add_argument("command", nargs=argparse.REMAINDER)
    given = parser.parse_args()
    if given.trace is not None:
        HollowDisk.tracer = Tracer(given.trace)
    if given.side == "storage":
        name, _, offset = (given.flip or "").partition(":")
        flip = (name, int(offset)) if name else None
        HollowDisk.ledger = Ledger(flip, always=given.flip_always)
    # The node takes its disk from here: production has no switch for tests.
    vars(node)["RealDisk"] = HollowDisk
    sys.argv[1:] = given.command
    syncd_main()


if __name__ == "__main__":
    main()
