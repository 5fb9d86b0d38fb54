"""From a complete manifest to the first byte, and from the last byte to the ready command.

Real disks, which note every read and write of footage (traced.py); the command that a [[notice]]
runs notes when it began. All of it on one clock. What counts as the first byte on the wire is the
first one that the storage writes, a little later; so the figure is rather too large.
"""

import shutil
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from tests.bench.staging import make_roll
from tests.bench.table import Table
from tests.bench.trace import Passed, read_trace
from tests.bench.traced import trace
from tests.bench.usage import spread
from tests.bench.workplace import workplace
from tests.boxes import DAY, Pair, wait_until

REPEATS = 7
ROLLS, FILES_PER_ROLL = 50, 2_000
SHAPES = ((4 << 20, 4), (512 << 20, 2))
FIRST_MS_MAX, READY_MS_MAX = 1000.0, 200.0
SETTLED_S = 3.0  # the files are there, and have been for a while; only the manifest is missing
READY_S = 120.0


@dataclass(frozen=True, slots=True)
class Moments:
    """One hand-off; seconds of one clock.

    complete_s: the manifest is there. first_s, last_s: the storage begins to write its first and
    its last bytes. command_s: the ready command runs. read_back_s: how long the file of the last
    bytes was read for after that.
    """

    complete_s: float
    first_s: float
    last_s: float
    command_s: float
    read_back_s: float


def run(*, small: bool = False) -> Table:
    """Hand over rolls of two shapes several times while many files lie on the landing."""
    table = Table(
        "latency of a hand-off",
        ("files watched", "roll", "how long", "median ms", "least", "worst", "goal ms"),
    )
    scale = 25 if small else 1
    rolls, repeats = ROLLS // scale, 3 if small else REPEATS
    settled_s = SETTLED_S / (3 if small else 1)
    shapes = (SHAPES[0], (SHAPES[1][0] // scale, SHAPES[1][1]))
    with workplace(Path.cwd()) as folder:
        pair = Pair(folder / "pair")
        for number in range(rolls):
            _old_roll(pair.landing / "2026-03-13_D11" / f"B{number:03}")
        with Handing(pair, folder) as handing:
            wait_until(lambda: len(pair.offload.rolls()) == rolls, 120, "not all rolls were seen")
            for size, count in shapes:
                found = [handing.hand_over(size, count, settled_s) for _ in range(repeats)]
                _fill(table, rolls * FILES_PER_ROLL, f"{count} x {size >> 20} MiB", found)
    table.notes.append("the manifest is an ASC MHL history; a plain list has to be still for 5 s")
    table.notes.append(f"{repeats} rolls of each shape; the goal is for the median")
    return table


class Handing:
    """A pair that hands over one roll after the other, and when what happened."""

    def __init__(self, pair: Pair, folder: Path) -> None:
        self._pair = pair
        self._folder = folder
        self._noted = folder / "commands"
        self._count = 0
        self._traces = trace(pair, folder)
        # The command's name is the roll's; it writes that and the time, and nothing else.
        script = f"echo $0 $(date +%s.%N) >> {self._noted}"
        notice = f'[[notice]]\nkind = "command"\nrun = ["/bin/sh", "-c", "{script}", "{{name}}"]\n'
        pair.configure(processing=f'{notice}on = ["ready"]\n')

    def __enter__(self) -> "Handing":
        self._pair.__enter__()
        return self

    def __exit__(self, *_: object) -> None:
        self._pair.__exit__()

    def hand_over(self, file_bytes: int, count: int, settled_s: float) -> Moments:
        """Let a roll appear, its manifest settled_s after its files, and wait for the command."""
        name = f"A{self._count:03}"
        self._count += 1
        staged = self._folder / name
        make_roll(staged, file_bytes, count)
        target = self._pair.landing / DAY / name
        target.mkdir(parents=True)
        (staged / "Clips").rename(target / "Clips")
        time.sleep(settled_s)
        (staged / "ascmhl").rename(target / "ascmhl")
        complete_s = time.monotonic()
        wait_until(lambda: self._command_s(name), READY_S, f"no command for {name}", every_s=0.02)
        command_s = self._command_s(name)
        assert command_s is not None, "it was there a moment ago"
        shutil.rmtree(staged)
        print(f"{name}: {command_s - complete_s:.3f} s", file=sys.stderr)
        return moments(complete_s, command_s, *map(read_trace, self._traces[1:]))

    def _command_s(self, name: str) -> float | None:
        """Return when the command of a roll ran, on this process's steady clock."""
        lines = self._noted.read_text().splitlines() if self._noted.exists() else []
        found = [line.split()[1] for line in lines if line.startswith(f"{name} ")]
        return float(found[0]) - (time.time() - time.monotonic()) if found else None


def moments(
    complete_s: float, command_s: float, written: Sequence[Passed], read_back: Sequence[Passed]
) -> Moments:
    """Find in the storage's traces what happened between a manifest and its roll's command."""
    came = [one for one in written if complete_s <= one.at_s <= command_s]
    assert came, "a ready roll was written"
    last = came[-1]
    looked = [
        one.at_s
        for one in read_back
        if one.name == last.name and last.at_s <= one.at_s <= command_s
    ]
    assert looked, "a ready roll was read back"
    first_s, read_s = came[0].at_s, looked[-1] - looked[0]
    return Moments(complete_s, first_s, last.at_s, command_s, read_s)


def _old_roll(folder: Path) -> None:
    """A roll that waits for its evidence: watched, and not moved."""
    folder.mkdir(parents=True)
    for number in range(FILES_PER_ROLL):
        (folder / f"{number:05}.dpx").write_bytes(b"x")


def _fill(table: Table, watched: int, roll: str, found: Sequence[Moments]) -> None:
    for how_long, goal_ms, times in (
        (
            "manifest complete to first byte",
            FIRST_MS_MAX,
            [each.first_s - each.complete_s for each in found],
        ),
        ("last byte to ready command", None, [each.command_s - each.last_s for each in found]),
        ("of which last file's read-back", None, [each.read_back_s for each in found]),
        (
            "without that read-back",
            READY_MS_MAX,
            [each.command_s - each.last_s - each.read_back_s for each in found],
        ),
    ):
        middle, least, worst = (1000 * seconds for seconds in spread(times))
        goal = "" if goal_ms is None else goal_ms
        table.add(watched, roll, how_long, middle, least, worst, goal)
        if goal_ms is not None and middle > goal_ms:
            table.missed.append(f"{roll}: {how_long} took {middle:.0f} ms, of {goal_ms:.0f}")
