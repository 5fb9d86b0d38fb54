"""A real daemon on the real disk that writes down when it reads and writes footage.

    python -m tests.bench.traced --reads FILE --writes FILE run -c FILE

Nothing else differs: every byte is read from and written to the disk. A line is as in trace.py. A
write is noted when it begins; a read twice, when it is asked for (with length 0) and when it is
there, so that what lies between is known. hollow.py does the same for disks that keep nothing.
"""

import argparse
import os
import sys
from collections.abc import Sequence
from pathlib import Path

from syncd import node
from syncd.cli.main import main as syncd_main
from syncd.edges.disk import RealDisk, RealFolder
from syncd.edges.open_file import RealFile
from syncd.ports import Folder
from tests.bench.hollow import FOOTAGE
from tests.bench.trace import Tracer
from tests.boxes import Pair


class TracedFile(RealFile):
    """An open file whose reads and writes are noted."""

    def __init__(self, fd: int, path: str, reads: Tracer, writes: Tracer) -> None:
        super().__init__(fd, os.path.basename(path))
        self._reads = reads
        self._writes = writes

    def read_into(self, view: memoryview, offset_bytes: int) -> int:
        self._reads.note(self._name, offset_bytes, 0)
        count = super().read_into(view, offset_bytes)
        self._reads.note(self._name, offset_bytes, count)
        return count

    def write(self, views: Sequence[memoryview], offset_bytes: int) -> None:
        self._writes.note(self._name, offset_bytes, sum(map(len, views)))
        super().write(views, offset_bytes)


class TracedFolder(RealFolder):
    """A real folder that notes what is read and written of footage."""

    def __init__(self, path: str, reads: Tracer, writes: Tracer) -> None:
        super().__init__(path)
        self._reads = reads
        self._writes = writes

    def _open_file(self, path: str, flags: int) -> RealFile:
        file = super()._open_file(path, flags)
        if not path.endswith(FOOTAGE):
            return file
        traced = TracedFile(os.dup(file._fd), path, self._reads, self._writes)
        file.close()
        return traced


class TracedDisk(RealDisk):
    """The real disk with traced folders."""

    reads: Tracer
    writes: Tracer

    def open_folder(self, path: str) -> Folder:
        return TracedFolder(path, self.reads, self.writes)


def trace(pair: Pair, folder: Path) -> tuple[Path, Path, Path]:
    """Have a pair that does not run yet note what it does in files below folder.

    Returns those of the offload box's reads, of the storage's writes, and of the storage's reads.
    """
    for box in (pair.offload, pair.processing):
        reads, writes = folder / f"{box.name}.reads", folder / f"{box.name}.writes"
        box.command = ("-m", "tests.bench.traced", "--reads", str(reads), "--writes", str(writes))
    of_offload, of_storage = pair.offload.name, pair.processing.name
    names = (f"{of_offload}.reads", f"{of_storage}.writes", f"{of_storage}.reads")
    sent, written, read_back = (folder / name for name in names)
    return sent, written, read_back


def main() -> None:
    """Run syncd's own command on a traced disk."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.traced")
    parser.add_argument("--reads", type=Path, required=True)
    parser.add_argument("--writes", type=Path, required=True)
    parser.add_argument("command", nargs=argparse.REMAINDER)
    given = parser.parse_args()
    TracedDisk.reads, TracedDisk.writes = Tracer(given.reads), Tracer(given.writes)
    # The node takes its disk from here: production has no switch for tests.
    vars(node)["RealDisk"] = TracedDisk
    sys.argv[1:] = given.command
    syncd_main()


if __name__ == "__main__":
    main()
