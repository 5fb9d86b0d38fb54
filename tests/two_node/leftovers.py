"""What a run leaves behind if it is killed, and how the next one finds it.

Owns: the label of a run, which has the process that owns it in it, and whether that one is alive.
"""

import os
import shutil
import signal
import tempfile
from contextlib import suppress
from itertools import count
from pathlib import Path

from tests.two_node.small_disks import unmount

PREFIX = "syncd-nodes-"
_numbers = count(1)


def new_label() -> str:
    """Return the label of one set of nodes: unique on this machine while this process lives."""
    return f"{PREFIX}{os.getpid()}-{next(_numbers)}"


def is_orphan(label: str) -> bool:
    """Tell whether label is that of a run whose process is gone."""
    owner = label.removeprefix(PREFIX).split("-")[0]
    return label.startswith(PREFIX) and owner.isdigit() and not Path("/proc", owner).exists()


def new_folder(label: str, parent: Path | None = None) -> Path:
    """Return a new folder for one set of nodes, after those of killed runs were removed.

    parent: where; by default where the system has its temporary folders.
    """
    parent = parent or Path(tempfile.gettempdir())
    for old in parent.glob(f"{PREFIX}*"):
        if is_orphan(old.name):
            _end_daemons_of(old)
            remove_folder(old)
    folder = parent / label
    folder.mkdir(mode=0o755)
    return folder


def remove_folder(folder: Path) -> None:
    """Unmount whatever is mounted below folder, and remove it."""
    table = Path("/proc/self/mountinfo")
    if table.exists():
        mounted = [Path(line.split()[4]) for line in table.read_text().splitlines()]
        for place in sorted((m for m in mounted if folder in m.parents), reverse=True):
            unmount(place)
    shutil.rmtree(folder, ignore_errors=True)


def _end_daemons_of(folder: Path) -> None:
    """Kill the daemons whose configuration lies in the folder of a run that is gone."""
    for process in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):  # it may end while we look
            words = (process / "cmdline").read_bytes().split(b"\0")
            if any(word.startswith(f"{folder}/".encode()) for word in words):
                os.kill(int(process.name), signal.SIGKILL)
