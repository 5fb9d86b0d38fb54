"""`syncd rush` while another roll moves at 1 Gb/s: how long until the rushed roll's first byte.

Two network namespaces with one shaped cable, or a relay on loopback; hollow disks, which note when
a lane reads a roll's first byte to send it and when the storage writes it (trace.py). The first
byte is on the wire in between. What is judged is the writing: later by what was under way on the
cable, and by the one record of up to 1 MiB in which that byte comes.
"""

import random
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from syncd.demo.cable import GIGABIT_BYTES_PER_S
from tests.bench.pulls import wait_moving
from tests.bench.table import Table
from tests.bench.terabyte import make_hollow_roll
from tests.bench.trace import Passed, read_trace
from tests.bench.usage import spread
from tests.bench.ways import Way, make_way
from tests.bench.workplace import workplace
from tests.boxes import DAY, place_roll, wait_until
from tests.shell import run as run_command

BIG, BIG_CLIPS, BIG_CLIP_BYTES = "A012", 20, 2 * 10**9  # moves for five minutes
REPEATS, REPEATS_SMALL = 30, 6
RUSHED_FILES, RUSHED_FILE_BYTES = 3, 20_000_000
GOAL_MS = 250.0
VERIFIED_S, READY_S = 60.0, 60.0


@dataclass(frozen=True, slots=True)
class Rushed:
    """One roll that was rushed; seconds from asking for it.

    read_s: until a lane read its first byte. written_s: until the storage wrote it. answered_s:
    until whoever asked was told that it is done.
    """

    read_s: float
    written_s: float
    answered_s: float


def run(*, small: bool = False) -> Table:
    """Rush roll after roll over the board's API, and a few by the command."""
    count = REPEATS_SMALL if small else REPEATS
    table = Table(
        "rush while another roll moves at 1 Gb/s",
        ("asked by", "times", "how long until", "median ms", "least", "worst", "goal ms"),
    )
    with workplace(Path.cwd()) as folder:
        way = make_way(folder / "pair")
        try:
            by_api, by_command = _measure(way, folder, count)
        finally:
            way.close()
    _fill(table, "the board's API", by_api, GOAL_MS)
    _fill(table, "syncd rush", by_command, None)
    table.notes.append(f"{way.kind}; the goal is for median and worst")
    table.notes.append("the command's time is also that of starting Python and its modules")
    return table


def _measure(way: Way, folder: Path, count: int) -> tuple[list[Rushed], list[Rushed]]:
    pair = way.pair
    read, written = folder / "read", folder / "written"
    pair.offload.command = ("-m", "tests.bench.hollow", "--trace", str(read), "source")
    pair.processing.command = ("-m", "tests.bench.hollow", "--trace", str(written), "storage")
    big_clips = BIG_CLIPS if count == REPEATS else BIG_CLIPS // 4
    clips = {f"Clips/{BIG}C{n:03}.mov": BIG_CLIP_BYTES for n in range(big_clips)}
    make_hollow_roll(folder / BIG, clips)
    names = [f"B{number:03}" for number in range(count + max(2, count // 6))]
    for name in names:
        files = {f"Clips/{name}C{n:03}.mov": RUSHED_FILE_BYTES for n in range(RUSHED_FILES)}
        make_hollow_roll(folder / name, files)
    chance = random.Random(count)
    asked: dict[str, tuple[float, float]] = {}
    with pair:
        way.set_rate(GIGABIT_BYTES_PER_S)
        place_roll(folder / BIG, pair.landing, BIG)
        wait_moving(written)
        for name in names:
            place_roll(folder / name, pair.landing, name)
        wait_until(lambda: _waiting(way) >= set(names), VERIFIED_S, "not all wait to be sent")
        for name in names:
            time.sleep(chance.uniform(0.5, 1.0))  # whatever of a parcel is on each lane
            wait_moving(written)
            asked[name] = _rush(way, name, by_command=name in names[count:])
            pair.wait_ready(name, timeout_s=READY_S)
        assert pair.offload.rolls()[BIG]["stage"] == "moving", "it moved all the time"
    traces = read_trace(read), read_trace(written)
    found = [rushed(name, *asked[name], *traces) for name in names]
    return found[:count], found[count:]


def _waiting(way: Way) -> set[str]:
    """Return the names of the rolls that the storage has taken, and of which nothing came."""
    known = way.pair.processing.rolls().items()
    return {name for name, roll in known if roll["stage"] == "moving" and not roll["moved_bytes"]}


def _rush(way: Way, name: str, *, by_command: bool) -> tuple[float, float]:
    """Say that a roll goes first; return when that was asked, and when it was answered."""
    box = way.pair.offload
    asked_s = time.monotonic()
    if by_command:
        run_command(
            *box.inside(sys.executable, "-m", "syncd", "rush", f"{DAY}/{name}"),
            *("-c", box.config),
        )
    else:
        box.api(f"rolls/{DAY}/{name}/rank", {"rush": True})
    return asked_s, time.monotonic()


def rushed(
    name: str,
    asked_s: float,
    answered_s: float,
    read: Sequence[Passed],
    written: Sequence[Passed],
) -> Rushed:
    """Find in the traces when a roll's bytes began to move, whose files begin with its name."""
    firsts = [
        min(one.at_s for one in passed if one.name.startswith(name)) for passed in (read, written)
    ]
    assert min(firsts) > asked_s, f"{name} moved before anybody said so"
    return Rushed(firsts[0] - asked_s, firsts[1] - asked_s, answered_s - asked_s)


def _fill(table: Table, by: str, found: Sequence[Rushed], goal_ms: float | None) -> None:
    for what, times, goal in (
        ("it is answered", [each.answered_s for each in found], None),
        ("a lane reads its first byte", [each.read_s for each in found], None),
        ("its first byte has come", [each.written_s for each in found], goal_ms),
    ):
        middle, least, worst = (1000 * seconds for seconds in spread(times))
        table.add(by, len(found), what, middle, least, worst, "" if goal is None else goal)
        if goal is not None and worst > goal:
            told = f"{middle:.0f} ms (median), {worst:.0f} ms (worst), of {goal:.0f}"
            table.missed.append(f"until {what}: {told}")
