"""Where a benchmark works: a folder that goes with it, room that is really there, cold caches.

Owns: the folder, also those of runs that were killed. Must not: know what is measured in it.
"""

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.two_node.leftovers import new_folder, new_label, remove_folder

# Two daemons, a hundred MiB each, and whatever else runs on the machine.
SPARE_BYTES = 4 << 30
MEMORY = Path("/dev/shm")


def places() -> dict[str, Path]:
    """Return where rolls may lie, by what it is called in a table."""
    return {"memory": MEMORY, "disk": Path.cwd()}


@contextmanager
def workplace(parent: Path) -> Iterator[Path]:
    """Give a new folder below parent and remove it in the end, however that comes.

    What killed runs left in parent is removed first, their daemons too.
    """
    folder = new_folder(new_label(), parent)
    try:
        yield folder
    finally:
        remove_folder(folder)


def room_bytes(parent: Path) -> int:
    """Return how much may be written below parent; in memory, not more than is really free."""
    free = shutil.disk_usage(parent).free
    if parent == MEMORY:
        lines = Path("/proc/meminfo").read_text().splitlines()
        available = next(line for line in lines if line.startswith("MemAvailable"))
        free = min(free, int(available.split()[1]) * 1024)
    return max(0, free - SPARE_BYTES)


def check_room(parent: Path, needed_bytes: int) -> None:
    """Raise SystemExit, with what to do, if there is not that much room."""
    if (room := room_bytes(parent)) < needed_bytes:
        raise SystemExit(
            f"{parent} has room for {room / 1e9:.1f} GB, and {needed_bytes / 1e9:.1f} GB are "
            "needed. Make room there, or try with --small."
        )


def flush(path: Path) -> None:
    """Make everything on path's file system durable."""
    subprocess.run(["sync", "-f", path], check=True)


def cool(path: Path) -> None:
    """Have nothing of path's file system unwritten, nor in the cache, where that is allowed."""
    if MEMORY in path.parents:
        return  # there is no other copy
    flush(path)
    try:
        Path("/proc/sys/vm/drop_caches").write_text("1\n")
    except OSError:
        return
