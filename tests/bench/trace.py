"""What travelled when, as the hollow disks of both boxes saw it, and what pulls of the cable cost.

A line of a trace: seconds (monotonic, the same clock in all processes of a machine), thread, path's
last name, offset, length. The source's trace has what lanes read, the storage's what was written.
"""

import os
import threading
import time
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path


class Tracer:
    """Appends to a trace; whole lines, from any thread."""

    def __init__(self, path: Path) -> None:
        self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o644)

    def note(self, name: str, offset_bytes: int, length_bytes: int) -> None:
        """Take note of bytes that pass now."""
        thread = threading.current_thread().name
        line = f"{time.monotonic():.6f}\t{thread}\t{name}\t{offset_bytes}\t{length_bytes}\n"
        os.write(self._fd, line.encode())


@dataclass(frozen=True, slots=True)
class Passed:
    """Bytes of one file that passed a disk at one moment."""

    at_s: float
    thread: str
    name: str
    offset_bytes: int
    length_bytes: int


def read_trace(path: Path) -> list[Passed]:
    """Return a trace in order of time."""
    passed = []
    for line in path.read_text().splitlines():
        at, thread, name, offset, length = line.split("\t")
        passed.append(Passed(float(at), thread, name, int(offset), int(length)))
    return sorted(passed, key=lambda one: one.at_s)


@dataclass(frozen=True, slots=True)
class Pull:
    """One pull of the cable. how: which kind. cut_s, joined_s: when it was ordered."""

    how: str
    cut_s: float
    joined_s: float


@dataclass
class Cost:
    """What one pull cost.

    again_bytes: read from the source a second time because of it, by lane that had read them first.
    back_s: from the link's return to the first byte that the storage wrote.
    fresh_s: to the first byte that it had never written before.
    """

    pull: Pull
    again_bytes: dict[str, int] = field(default_factory=dict)
    back_s: float | None = None
    fresh_s: float | None = None


@dataclass(frozen=True)
class Costs:
    """All pulls of a run. without_pull_bytes: read again though there had been no pull yet."""

    pulls: list[Cost]
    new_bytes: int
    again_bytes: int
    without_pull_bytes: int


def costs_of(pulls: Sequence[Pull], read: Sequence[Passed], written: Sequence[Passed]) -> Costs:
    """Attribute every byte that travelled again to the pull that it first travelled into.

    Until the cable is back, lanes still read into what the system buffers; and a connection may
    turn out to be lost only afterwards.
    """
    costs = [Cost(pull) for pull in pulls]
    joins = [pull.joined_s for pull in pulls]
    known: dict[tuple[str, int], Passed] = {}
    again = without = 0
    by_pull: list[dict[str, int]] = [defaultdict(int) for _ in pulls]
    for one in read:
        before = known.get((one.name, one.offset_bytes))
        known[one.name, one.offset_bytes] = one
        if before is None:
            continue
        again += one.length_bytes
        number = bisect_right(joins, before.at_s)  # the first return after it
        if number == len(pulls) or pulls[number].cut_s > one.at_s:
            number -= 1  # the cable was back, and the connection lost none the less
        if number < 0:
            without += one.length_bytes
        else:
            by_pull[number][before.thread] += one.length_bytes
    for cost, lanes in zip(costs, by_pull, strict=True):
        cost.again_bytes = dict(lanes)
    _find_returns(costs, written)
    new = sum(one.length_bytes for one in read) - again
    return Costs(costs, new, again, without)


def _find_returns(costs: list[Cost], written: Sequence[Passed]) -> None:
    """Fill in when bytes came again after each pull."""
    seen: set[tuple[str, int]] = set()
    joins = [cost.pull.joined_s for cost in costs]
    for one in written:
        key = (one.name, one.offset_bytes)
        is_fresh = key not in seen
        seen.add(key)
        number = bisect_right(joins, one.at_s) - 1
        if number < 0:
            continue
        cost = costs[number]
        if cost.back_s is None:
            cost.back_s = one.at_s - cost.pull.joined_s
        if cost.fresh_s is None and is_fresh:
            cost.fresh_s = one.at_s - cost.pull.joined_s
