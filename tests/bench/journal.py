"""What daemons are asked, and what they do at rest, with 10, 1,000 and 10,000 rolls in the journal.

Real daemons with journals as real hand-offs leave them (many_rolls.py). Each question is one
request to the board's API over a connection of its own, as commands and scripts ask it. The
commands themselves are timed, too; most of that is the start of Python.
"""

import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from syncd.limits import RESCAN_S
from tests.bench.many_rolls import fill
from tests.bench.staging import make_roll
from tests.bench.table import Table
from tests.bench.usage import usage_of, watch
from tests.bench.workplace import workplace
from tests.boxes import DAY, Box, Pair, place_roll, wait_until
from tests.shell import run_any

ROLLS, ROLLS_SMALL = (10, 1_000, 10_000), (10, 1_000)
TIMES, TIMES_SMALL = 60, 10
COMMAND_TIMES, COMMAND_TIMES_SMALL = 7, 3
GOAL_MS, GOAL_ROLLS = 50.0, 10_000
# The landing takes leave of folders that are gone for a while after each start; and all is looked
# at once a minute.
CALM_S, CALM_S_SMALL = 60.0, 3.0
REST_S, REST_S_SMALL = RESCAN_S, 3.0
SLICE_S = 3.0
STAGE_S = 120.0
FILE_BYTES, FILES = 1_000, 3
WAITING, PASSING = "W001", "P001"


@dataclass(frozen=True, slots=True)
class Question:
    """One kind of question. path: for the n-th time it is asked. body: makes it a POST."""

    what: str
    path: Callable[[int], str]
    body: Callable[[int], Any] = lambda _: None


def run(*, small: bool = False) -> Table:
    """Ask pairs that know ever more rolls."""
    table = Table(
        "daemons that know many rolls",
        (
            *("rolls", "box", "what", "times", "p50 ms", "p95 ms", "worst", "core ms"),
            *("KiB", "goal ms"),
        ),
    )
    for count in ROLLS_SMALL if small else ROLLS:
        with workplace(Path.cwd()) as folder:
            _measure(table, folder, count, small)
    table.notes.append(f"the goal is for the 95th percentile with {GOAL_ROLLS:,} rolls")
    return table


def _measure(table: Table, folder: Path, count: int, small: bool) -> None:
    pair = Pair(folder / "pair")
    with pair:
        pass  # makes keys and journals
    made = fill(pair, count)
    names = [f"{roll.day}/{roll.name}" for roll in made]
    ids = [roll.roll_id for roll in made]
    times = TIMES_SMALL if small else TIMES
    try:
        for box in (pair.processing, pair.offload):
            began_s = time.monotonic()
            box.start()
            _add(table, count, box, "start until the board answers", [time.monotonic() - began_s])
        _hand_over(table, pair, folder, count)
        _rest(table, pair, count, small)
        _let_wait(pair, folder)
        for box in (pair.offload, pair.processing):
            for question in _questions(names, ids):
                _ask(table, count, box, question, times)
        for question in _changes():
            _ask(table, count, pair.offload, question, times)
        for words in (("rolls", "--json"), ("roll", names[0], "--json"), ("check", "--json")):
            repeats = COMMAND_TIMES_SMALL if small else COMMAND_TIMES
            _command(table, count, pair.offload, words, repeats)
    finally:
        pair.__exit__()


def _questions(names: list[str], ids: list[str]) -> tuple[Question, ...]:
    """Return what is asked without changing anything."""
    return (
        Question("/api/rolls", lambda _: "/api/rolls"),
        Question("/api/rolls/DAY/ROLL", lambda n: f"/api/rolls/{names[n * 7 % len(names)]}"),
        Question("/api/rolls/ID", lambda n: f"/api/rolls/{ids[n * 7 % len(ids)]}"),
        Question("/api/rolls/start of an ID", lambda n: f"/api/rolls/{ids[n * 7 % len(ids)][:12]}"),
        Question("/api/status", lambda _: "/api/status"),
        Question("/metrics", lambda _: "/metrics"),
        Question("/healthz", lambda _: "/healthz"),
    )


def _changes() -> tuple[Question, ...]:
    """Return what changes the journal."""
    path = f"/api/rolls/{DAY}/{WAITING}"
    return (
        Question("set a rank", lambda _: f"{path}/rank", lambda n: {"rank": 10 + n}),
        Question("rush", lambda _: f"{path}/rank", lambda _: {"rush": True}),
        Question("pause", lambda _: f"{path}/pause", lambda _: {}),
        Question("go", lambda _: f"{path}/go", lambda _: {}),
    )


def _hand_over(table: Table, pair: Pair, folder: Path, count: int) -> None:
    """Time one small roll from its appearance to ready."""
    make_roll(folder / PASSING, FILE_BYTES, FILES)
    began_s = time.monotonic()
    place_roll(folder / PASSING, pair.landing, PASSING)
    _wait_stage(pair.offload, PASSING, "ready")
    _add(table, count, pair.offload, "a small roll, landing to ready", [time.monotonic() - began_s])


def _rest(table: Table, pair: Pair, count: int, small: bool) -> None:
    """Say what both daemons take of a core while nothing happens, and took to come to rest."""
    time.sleep(CALM_S_SMALL if small else CALM_S)
    boxes = pair.offload, pair.processing
    took = [usage_of(box.process.pid).cpu_s for box in boxes if box.process is not None]
    seconds = REST_S_SMALL if small else REST_S
    shares = watch(boxes, seconds, SLICE_S)
    for box, cpu_s, share in zip(boxes, took, shares, strict=True):
        table.notes.append(
            f"{count:,} rolls, {box.name}: {cpu_s:.1f} s of a core since its start, then at rest "
            f"{share.cpu_percent:.2f} % ({share.least_percent:.2f} to {share.most_percent:.2f}) "
            f"over {seconds:.0f} s; {box.resident_bytes_max() / (1 << 20):.0f} MiB at most"
        )
        print(table.notes[-1], file=sys.stderr)


def _let_wait(pair: Pair, folder: Path) -> None:
    """Have a roll that is still to be sent, and is not."""
    pair.offload.api("pause", {})
    make_roll(folder / WAITING, FILE_BYTES, FILES)
    place_roll(folder / WAITING, pair.landing, WAITING)
    _wait_stage(pair.offload, WAITING, "verified", "moving")


def _wait_stage(box: Box, name: str, *stages: str) -> None:
    """Wait until a roll of today is in one of the stages."""

    def is_there() -> bool:
        try:
            return bool(box.api(f"rolls/{DAY}/{name}")["stage"] in stages)
        except OSError:
            return False  # not known yet

    wait_until(is_there, STAGE_S, f"{name} is not {' or '.join(stages)}", every_s=0.02)


def _ask(table: Table, count: int, box: Box, question: Question, times: int) -> None:
    assert box.process is not None, "it runs"
    seconds, length = [], 0
    before_s = usage_of(box.process.pid).cpu_s
    for number in range(times):
        path, body = question.path(number), question.body(number)
        began_s = time.monotonic()
        length = len(box.ask(path, body))
        seconds.append(time.monotonic() - began_s)
    core_ms = 1000 * (usage_of(box.process.pid).cpu_s - before_s) / times
    _add(
        *(table, count, box, question.what, seconds),
        kib=length / 1024,
        goal_ms=GOAL_MS,
        core_ms=core_ms,
    )


def _command(table: Table, count: int, box: Box, words: tuple[str, ...], times: int) -> None:
    seconds, length = [], 0
    for _ in range(times):
        began_s = time.monotonic()
        code, said, errors = run_any(sys.executable, "-m", "syncd", *words, "-c", box.config)
        seconds.append(time.monotonic() - began_s)
        assert code in {0, 1}, errors  # 1: `check` finds something to say
        length = len(said)
    shown = f"syncd {words[0]}{' DAY/ROLL' if len(words) > 2 else ''}"
    _add(table, count, box, shown, seconds, kib=length / 1024)


def _add(
    table: Table,
    count: int,
    box: Box,
    what: str,
    seconds: list[float],
    *,
    kib: float | None = None,
    goal_ms: float | None = None,
    core_ms: float | None = None,
) -> None:
    """Add a row, and say whether a goal was missed. core_ms: processor time of the daemon, each."""
    ordered = sorted(seconds)
    p95_s = ordered[min(len(ordered) - 1, round(0.95 * len(ordered)))]
    figures = [1000 * at for at in (statistics.median(ordered), p95_s, ordered[-1])]
    is_judged = goal_ms is not None and count == GOAL_ROLLS
    core = "" if core_ms is None else core_ms
    shown = core, "" if kib is None else round(kib, 1), goal_ms if is_judged else ""
    table.add(count, box.name, what, len(seconds), *figures, *shown)
    print(*table.rows[-1], file=sys.stderr)
    if is_judged and goal_ms is not None and figures[1] > goal_ms:
        told = f"{figures[1]:.0f} ms, of {goal_ms:.0f}"
        table.missed.append(f"{box.name}: {what} with {count:,} rolls: {told}")
