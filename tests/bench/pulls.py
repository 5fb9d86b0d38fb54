"""The cable pulled and put back 100 times in one roll: what travels twice, and how soon bytes flow.

Both disks are hollow (hollow.py) and write down what passes when, so that every byte read twice and
the first byte written after each return are known from the daemons' own reads and writes: to the
byte, and to the length of one record (1 MiB, 8 ms at this pace). The pace is that of 1 Gb/s
Ethernet. A return counts from the command that mends the link, so it holds that command's own time.
"""

import math
import random
import statistics
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from syncd.counted import counted
from syncd.demo.cable import GIGABIT_BYTES_PER_S
from syncd.edges.descriptors import KEPT_MAX
from syncd.edges.disk import ASIDE_THREADS
from syncd.limits import LANES_DEFAULT
from tests.bench.gauges import Gauge, look
from tests.bench.hollow import good_bytes_of
from tests.bench.table import Table
from tests.bench.terabyte import make_hollow_roll
from tests.bench.trace import Cost, Costs, Pull, costs_of, read_trace
from tests.bench.ways import How, Way, make_way
from tests.boxes import DAY, place_roll, wait_until

MIB = 1 << 20
AGAIN_MIB_MAX = 64
BACK_S_MAX = 2.0
LOG_LINES_MAX = 10  # of both daemons, a pull
# The loop, ASIDE_THREADS for the disk (begun one by one, as they are needed), the watch, and lanes.
THREADS_MAX = 1 + ASIDE_THREADS + 4 + LANES_DEFAULT
FILE_BYTES = 512
UNPACED_BYTES_PER_S = 2e9
VERIFYING_S = 600.0  # a busy machine takes minutes to look at 100,000 files
MOVING_AGAIN_S = 60.0
NAME = "A012"


@dataclass(frozen=True, slots=True)
class Plan:
    """One pull to come. how, after_s of moving bytes, break_s long."""

    how: How
    after_s: float
    break_s: float


@dataclass(frozen=True)
class Outcome:
    """What a run of pulls came to.

    good_bytes: of the published roll, as the hollow storage itself counts them.
    moving: for each pull, whether a disk had to do with footage within the half second before it.
    before, after: both daemons, while bytes move, before the first pull and after the last.
    """

    costs: Costs
    total_bytes: int
    file_count: int
    folder_count: int
    good_bytes: int | None
    moving: list[bool]
    log_lines: int
    before: tuple[Gauge, Gauge]
    after: tuple[Gauge, Gauge]


def run(*, small: bool = False) -> Table:
    """Pull in a roll of clips and in one of 100,000 files, for moments and for long."""
    table = Table(
        "pulls of the cable in one roll",
        (
            *("roll", "pulled", "times", "break s", "twice a lane MiB, median", "worst"),
            *("twice in all MiB", "back s, median", "95 %", "worst"),
            *("new byte s, median", "95 %", "worst"),
        ),
    )
    for title, files, count, breaks in _runs(small=small):
        with tempfile.TemporaryDirectory(prefix="syncd-bench-", dir=Path.cwd()) as folder:
            way = make_way(Path(folder) / "pair")
            try:
                plans = plan(way.hows, count, breaks, seed=count)
                outcome = pull_through(way, Path(folder), files, plans, GIGABIT_BYTES_PER_S)
            finally:
                way.close()
        _fill(table, title, outcome, breaks)
        print(*table.rows[-len(way.hows) :], sep="\n", file=sys.stderr)
        table.notes.append(f"{title}: {way.kind}; {_says(outcome)}")
        table.missed += [f"{title}: {text}" for text in broken(outcome)]
    return table


def _runs(*, small: bool) -> list[tuple[str, dict[str, int], int, tuple[float, float]]]:
    """Return what is pulled in: title, files with their sizes, how often, and how long breaks are.

    Of the second kind, a connection may or may not survive; of the third, none does.
    """
    short, middling, long = (0.2, 3.0), (3.0, 9.0), (20.0, 20.0)
    clips = {f"Clips/A012C{n:03}.mov": 2 * 10**9 for n in range(1, 2 if small else 16)}
    stills = 10_000 if small else 100_000
    many = {f"Stills/{n // 1000:03}/A012_{n:06}.dpx": 200_000 for n in range(stills)}
    few_title, many_title = (
        f"{sum(files.values()) / 1e9:.0f} GB, {counted(len(files), 'file')}"
        for files in (clips, many)
    )
    if small:
        return [(few_title, clips, 3, short), (many_title, many, 3, short)]
    return [
        (few_title, clips, 100, short),
        (many_title, many, 100, short),
        (few_title, clips, 24, middling),
        (few_title, clips, 20, long),
    ]


def plan(hows: Sequence[How], count: int, breaks: tuple[float, float], *, seed: int) -> list[Plan]:
    """Plan seeded pulls; each way of pulling as often as the others."""
    chance = random.Random(seed)
    order = [hows[number % len(hows)] for number in range(count)]
    chance.shuffle(order)
    return [Plan(how, chance.uniform(0.3, 1.2), chance.uniform(*breaks)) for how in order]


def pull_through(
    way: Way, folder: Path, files: dict[str, int], plans: Sequence[Plan], bytes_per_s: float
) -> Outcome:
    """Hand one roll over, pulling the cable as planned while its bytes move."""
    pair = way.pair
    read, written = folder / "read", folder / "written"
    pair.offload.command = ("-m", "tests.bench.hollow", "--trace", str(read), "source")
    pair.processing.command = ("-m", "tests.bench.hollow", "--trace", str(written), "storage")
    make_hollow_roll(folder / "staged", files)
    with pair:
        way.set_rate(bytes_per_s)
        place_roll(folder / "staged", pair.landing, NAME)
        pulls: list[Pull] = []
        wait_moving(written, VERIFYING_S)
        time.sleep(1)  # at its pace, every lane
        before = look(pair.offload), look(pair.processing)
        for one in plans:
            pulls.append(_pull(way, one))
            wait_moving(written)
        time.sleep(1)
        after = look(pair.offload), look(pair.processing)
        way.set_rate(UNPACED_BYTES_PER_S)
        pair.wait_ready(NAME, timeout_s=600)
    logs = [(box.folder / "log").read_text() for box in (pair.offload, pair.processing)]
    out, in_ = read_trace(read), read_trace(written)
    moments = [one.at_s for one in (*out, *in_)]
    return Outcome(
        costs_of(pulls, out, in_),
        sum(files.values()),
        len(files),
        len({path.rpartition("/")[0] for path in files}),
        good_bytes_of(logs[1], f"{DAY}/{NAME}"),
        [any(pull.cut_s - 0.5 <= at <= pull.cut_s for at in moments) for pull in pulls],
        sum(log.count("\n") for log in logs),
        before,
        after,
    )


def wait_moving(written: Path, timeout_s: float = MOVING_AGAIN_S) -> None:
    """Wait until the storage writes (again)."""
    size = written.stat().st_size if written.exists() else 0
    wait_until(
        lambda: written.exists() and written.stat().st_size > size,
        timeout_s,
        "no byte came",
        every_s=0.01,
    )


def _pull(way: Way, one: Plan) -> Pull:
    time.sleep(one.after_s)
    cut_s = time.monotonic()
    way.cut(one.how)
    time.sleep(one.break_s)
    joined_s = time.monotonic()
    way.join(one.how)
    return Pull(one.how, cut_s, joined_s)


def broken(outcome: Outcome, back_s_max: float = BACK_S_MAX) -> list[str]:
    """Say which goals were missed, [] if none."""
    costs = outcome.costs.pulls
    worst_mib = max(_again_mib(costs))
    late = [cost for cost in costs if cost.back_s is None or cost.back_s > back_s_max]
    without_new = stale(costs, back_s_max)
    lines = outcome.log_lines / len(costs)
    found = []
    if outcome.good_bytes != outcome.total_bytes:
        found.append(f"{outcome.good_bytes} bytes arrived as they are, of {outcome.total_bytes}")
    if worst_mib > AGAIN_MIB_MAX:
        found.append(f"up to {worst_mib:.0f} MiB of a lane travelled twice")
    if late:
        found.append(f"after {len(late)} of {len(costs)} pulls no byte within {back_s_max:.0f} s")
    if without_new:
        found.append(f"after {without_new} of {len(costs)} no new one within {back_s_max:.0f} s")
    if outcome.costs.without_pull_bytes:
        found.append(f"{outcome.costs.without_pull_bytes} bytes travelled twice without a pull")
    if not all(outcome.moving):
        found.append(f"{outcome.moving.count(False)} pulls struck while nothing moved")
    if lines > LOG_LINES_MAX:
        found.append(f"{lines:.0f} log lines a pull")
    return found + _grown(outcome)


def stale(costs: Sequence[Cost], new_s_max: float) -> int:
    """Count the pulls after which no new byte came in time; not those cut short by the next one."""
    ends_s = [cost.pull.cut_s for cost in costs[1:]] + [math.inf]
    waits = [
        min(math.inf if cost.fresh_s is None else cost.fresh_s, end_s - cost.pull.joined_s)
        for cost, end_s in zip(costs, ends_s, strict=True)
    ]
    return sum(wait_s > new_s_max for wait_s in waits)


def _grown(outcome: Outcome) -> list[str]:
    """Say what is not given back after reconnecting.

    As the roll comes along, folders are kept open for speed, and the boxes and the hollow storage
    remember something of each file, whether the cable is pulled or not.
    """
    found = []
    folders = min(outcome.folder_count, KEPT_MAX)
    files_mib = outcome.file_count * FILE_BYTES / MIB
    for name, before, after in zip(
        ("offload", "processing"), outcome.before, outcome.after, strict=True
    ):
        if after.descriptors > before.descriptors + 4 + folders:
            found.append(f"{name}: descriptors from {before.descriptors} to {after.descriptors}")
        if after.threads > THREADS_MAX:
            found.append(f"{name}: threads from {before.threads} to {after.threads}")
        if after.resident_mib > before.resident_mib + 16 + files_mib:
            found.append(f"{name}: from {before.resident_mib:.0f} to {after.resident_mib:.0f} MiB")
    return found


def _again_mib(costs: Sequence[Cost]) -> list[float]:
    """Return, for each pull, the most that one lane sent again."""
    return [max(cost.again_bytes.values(), default=0) / MIB for cost in costs]


def _fill(table: Table, title: str, outcome: Outcome, breaks: tuple[float, float]) -> None:
    """Add a row for each way of pulling."""
    shown = f"{breaks[0]:g}-{breaks[1]:g}" if breaks[0] != breaks[1] else f"{breaks[0]:g}"
    for how in sorted({cost.pull.how for cost in outcome.costs.pulls}):
        costs = [cost for cost in outcome.costs.pulls if cost.pull.how == how]
        back = sorted(cost.back_s for cost in costs if cost.back_s is not None)
        fresh = sorted(cost.fresh_s for cost in costs if cost.fresh_s is not None)
        again = _again_mib(costs)
        in_all = sum(sum(cost.again_bytes.values()) for cost in costs) / MIB
        table.add(
            *(title, how, len(costs), shown, statistics.median(again), max(again), in_all),
            *(at for times in (back, fresh) for at in _three(times)),
        )


def _three(times: Sequence[float]) -> tuple[float, float, float]:
    """Return median, 95th percentile and worst of times in order."""
    return statistics.median(times), times[int(len(times) * 0.95)], times[-1]


def _says(outcome: Outcome) -> str:
    costs = outcome.costs
    boxes = zip(("offload", "processing"), outcome.before, outcome.after, strict=True)
    grown = "; ".join(
        f"{name} {a.descriptors} -> {b.descriptors} descriptors, {a.threads} -> {b.threads} "
        f"threads, {a.resident_mib:.0f} -> {b.resident_mib:.0f} MiB"
        for name, a, b in boxes
    )
    return (
        f"{costs.again_bytes / MIB:.0f} MiB travelled twice in all; "
        f"{outcome.log_lines / len(costs.pulls):.1f} log lines a pull; {grown}"
    )
