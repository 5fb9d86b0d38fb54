"""What idle daemons take of a core while 100,000 files are watched and nothing happens.

Twice with the same files: as rolls that wait for their evidence, and once they were handed over and
stay on landing and storage. The landing is scanned, and the storage looked at, once a minute, so
each stretch is two minutes long; a small run may see none of these looks, and says so.
"""

import sys
import time
from pathlib import Path

import xxhash

from syncd.limits import RESCAN_S
from tests.bench.history import write_history
from tests.bench.table import Table
from tests.bench.usage import watch
from tests.bench.workplace import workplace
from tests.boxes import DAY, Pair, wait_until

ROLLS, FILES_PER_ROLL = 50, 2_000
GOAL_PERCENT = 0.5
SECONDS, SLICE_S = 2 * RESCAN_S, 10.0
CONTENT = b"x"
CALM_S = 20.0  # after so long nothing is left to be done of what happened before
READY_S = 1800.0


def run(*, small: bool = False) -> Table:
    """Watch an idle pair before its rolls are handed over, and afterwards."""
    table = Table(
        "idle daemons",
        (
            *("files watched", "which", "box", "CPU %", "least", "most", "goal %"),
            *("wake-ups/s", "pushed off/s"),
        ),
    )
    scale = 25 if small else 1
    names = [f"A{number:03}" for number in range(ROLLS // scale)]
    with workplace(Path.cwd()) as folder:
        pair = Pair(folder / "pair")
        for name in names:
            _make(pair.landing / DAY / name)
        with pair:
            wait_until(lambda: len(pair.offload.rolls()) == len(names), 300, "not all were seen")
            _watch(table, pair, "wait for their evidence", len(names), small)
            for name in names:
                _finish(pair.landing / DAY / name)
            pair.wait_ready(*names, timeout_s=READY_S)
            _watch(table, pair, "handed over", len(names), small)
    slice_s = SLICE_S / (5 if small else 1)
    table.notes.append(f"CPU % of one core, over all; least and most in any {slice_s:.0f} s of it")
    if small:
        table.notes.append("too short for the looks at everything, which come once a minute")
    return table


def _make(folder: Path) -> None:
    """Make the files of a roll; their names are in no other one, or it would be the same roll."""
    (folder / "Stills").mkdir(parents=True)
    for path in _paths(folder.name):
        (folder / path).write_bytes(CONTENT)


def _paths(name: str) -> list[str]:
    return [f"Stills/{name}_{number:06}.dpx" for number in range(FILES_PER_ROLL)]


def _finish(folder: Path) -> None:
    """Let a roll have its evidence."""
    digest = xxhash.xxh64_hexdigest(CONTENT)
    write_history(folder, {path: (len(CONTENT), digest) for path in _paths(folder.name)})


def _watch(table: Table, pair: Pair, which: str, rolls: int, small: bool) -> None:
    scale = 5 if small else 1
    time.sleep(CALM_S / scale)
    boxes = pair.offload, pair.processing
    shares = watch(boxes, SECONDS / (12 if small else 1), SLICE_S / scale)
    for box, share in zip(boxes, shares, strict=True):
        table.add(
            *(rolls * FILES_PER_ROLL, which, box.name),
            *(share.cpu_percent, share.least_percent, share.most_percent, GOAL_PERCENT),
            *(share.wakes_per_s, share.pushed_per_s),
        )
        print(*table.rows[-1], file=sys.stderr)
        if share.cpu_percent > GOAL_PERCENT:
            told = f"{box.name} took {share.cpu_percent:.2f} % of a core, of {GOAL_PERCENT}"
            table.missed.append(f"{which}: {told}")
