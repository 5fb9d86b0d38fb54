"""What a daemon takes of its machine over time, and whether that stays flat."""

import os
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.boxes import Box

MIB = 1 << 20
# By how much the last third's maximum may exceed the first third's and still count as flat.
MARGIN = {"resident MiB": 8.0, "descriptors": 4.0, "threads": 2.0}


@dataclass(frozen=True, slots=True)
class Gauge:
    """One look at one daemon. journal_mib: with its write-ahead log."""

    resident_mib: float
    descriptors: int
    threads: int
    journal_mib: float


@dataclass(frozen=True, slots=True)
class Sample:
    """One look at both daemons. at_s: since sampling began. done: what progress() said."""

    at_s: float
    done: float
    gauges: tuple[Gauge, ...]


def look(box: Box) -> Gauge:
    """Look at a running daemon through /proc."""
    assert box.process is not None
    proc = Path(f"/proc/{box.process.pid}")
    pairs = (line.split(":", 1) for line in (proc / "status").read_text().splitlines())
    status = {key: value.split()[0] for key, value in pairs if value.strip()}
    journal = sum(file.stat().st_size for file in (box.folder / "state").glob("journal.sqlite*"))
    return Gauge(
        int(status["VmRSS"]) / 1024,
        len(os.listdir(proc / "fd")),
        int(status["Threads"]),
        journal / MIB,
    )


class Sampler:
    """Looks at daemons at a steady pace, in a thread, from start to stop.

    progress: a number that grows; asked at each look.
    """

    def __init__(
        self, boxes: Sequence[Box], progress: Callable[[], float], every_s: float = 1.0
    ) -> None:
        self.samples: list[Sample] = []
        self._boxes = boxes
        self._progress = progress
        self._every_s = every_s
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="sampler")

    def __enter__(self) -> "Sampler":
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()

    def _run(self) -> None:
        began_s = time.monotonic()
        while not self._ended.wait(self._every_s):
            done, gauges = self._progress(), tuple(look(box) for box in self._boxes)
            self.samples.append(Sample(time.monotonic() - began_s, done, gauges))


def growth(samples: Sequence[Sample], box: int) -> dict[str, tuple[float, float]]:
    """Return, by what was measured, the maxima of the first and of the last third of the way."""
    end = samples[-1].done
    first = [s.gauges[box] for s in samples if s.done <= end / 3]
    last = [s.gauges[box] for s in samples if s.done >= end * 2 / 3]
    assert first, "no look at the first third"
    return {
        "resident MiB": (max(g.resident_mib for g in first), max(g.resident_mib for g in last)),
        "descriptors": (max(g.descriptors for g in first), max(g.descriptors for g in last)),
        "threads": (max(g.threads for g in first), max(g.threads for g in last)),
    }


def not_flat(name: str, grown: dict[str, tuple[float, float]]) -> list[str]:
    """Say what of a daemon grew by more than its margin."""
    return [
        f"{name}: {what} grew from {first:.0f} in the first third to {last:.0f} in the last"
        for what, (first, last) in grown.items()
        if last > first + MARGIN[what]
    ]
