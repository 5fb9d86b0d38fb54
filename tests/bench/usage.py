"""What a daemon takes of its machine's processors while it is watched.

Owns: reading the kernel's own counts of a process that is not ours. Must not: judge them.
"""

import statistics
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

from tests.boxes import Box


@dataclass(frozen=True, slots=True)
class Usage:
    """Counts since a process began.

    cpu_s: seconds on a core, in user and system mode, ended threads included.
    wakes: how often one of its living threads had slept of its own accord, and was woken.
    pushed: how often one was taken off its core though it had work.
    """

    cpu_s: float
    wakes: int
    pushed: int


def usage_of(pid: int) -> Usage:
    """Ask the kernel about a process. Raises OSError if it has ended."""
    wakes = pushed = 0
    for task in Path(f"/proc/{pid}/task").iterdir():
        with suppress(FileNotFoundError):  # a thread that ends while we look
            lines = (task / "status").read_text().splitlines()
            counts = dict(line.split(":\t", 1) for line in lines if "ctxt_switches" in line)
            wakes += int(counts["voluntary_ctxt_switches"])
            pushed += int(counts["nonvoluntary_ctxt_switches"])
    return Usage(time.clock_gettime(_cpu_clock_of(pid)), wakes, pushed)


def _cpu_clock_of(pid: int) -> int:
    """Return the clock of another process's processor time, as clock_getcpuclockid(3) makes it.

    The files of /proc count it in hundredths of a second; this clock has nanoseconds.
    """
    return (~pid << 3) | 2


@dataclass(frozen=True, slots=True)
class Share:
    """One daemon over a stretch of time.

    cpu_percent: of one core, over all of it; least, most: in any of its slices.
    wakes_per_s, pushed_per_s: see Usage.
    """

    cpu_percent: float
    least_percent: float
    most_percent: float
    wakes_per_s: float
    pushed_per_s: float


def watch(boxes: Sequence[Box], seconds: float, slice_s: float) -> list[Share]:
    """Watch running daemons for so long, and look once a slice; in between this process sleeps."""
    count = max(1, round(seconds / slice_s))
    looks = [_look(boxes)]
    for _ in range(count):
        time.sleep(slice_s)
        looks.append(_look(boxes))
    return [_share([(at, usages[place]) for at, usages in looks]) for place in range(len(boxes))]


def _look(boxes: Sequence[Box]) -> tuple[float, list[Usage]]:
    usages = []
    for box in boxes:
        assert box.process is not None, "it is watched while it runs"
        usages.append(usage_of(box.process.pid))
    return time.monotonic(), usages


def _share(looks: Sequence[tuple[float, Usage]]) -> Share:
    (began_s, first), (ended_s, last) = looks[0], looks[-1]
    seconds = ended_s - began_s
    slices = [
        100 * (after.cpu_s - before.cpu_s) / (after_s - before_s)
        for (before_s, before), (after_s, after) in pairwise(looks)
    ]
    return Share(
        100 * (last.cpu_s - first.cpu_s) / seconds,
        min(slices),
        max(slices),
        (last.wakes - first.wakes) / seconds,
        (last.pushed - first.pushed) / seconds,
    )


def spread(values: Sequence[float]) -> tuple[float, float, float]:
    """Return median, least and most."""
    return statistics.median(values), min(values), max(values)
