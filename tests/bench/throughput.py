"""Sealed and clear hand-off with read-back, against by hand and against the raw limit, in one run.

A roll of one clip, where nothing can be read back before all of it has come, and one of several,
where the first are read back while the next travel.

By hand: `cp -r`, `sync` of the copy's file system, `xxhsum` of both copies (XXH64), one after the
other. Raw: raw_limit.py, at most 60 lines that read, hash, send, hash, write, sync and read back
one file, on two plain sockets; clip after clip.
"""

from collections.abc import Mapping
from functools import partial
from pathlib import Path

from tests.bench.handing import CLEAR, SEALED, hand_off
from tests.bench.opponents import BY_HAND, RAW, by_hand, need, raw_limit
from tests.bench.staging import make_roll
from tests.bench.table import Table
from tests.bench.versus import Goal, Times, add_rows, in_turns, make_table, missed
from tests.bench.workplace import check_room, places, workplace

ROUNDS = 5
CLIP_BYTES = 2 << 30
CLIP_COUNTS = (1, 3)
GOALS = {
    "memory": (Goal(SEALED, BY_HAND, 1.0), Goal(CLEAR, BY_HAND, 0.8)),
    "disk": (Goal(SEALED, BY_HAND, 0.8), Goal(CLEAR, BY_HAND, 0.8)),
}


def run(*, small: bool = False) -> Table:
    """Measure in memory and on disk."""
    size, rounds = (CLIP_BYTES // 8, 1) if small else (CLIP_BYTES, ROUNDS)
    against = (BY_HAND, RAW)
    table = make_table(f"clips of {size >> 20} MiB handed over", ("where", "clips"), against)
    need("xxhsum")
    for where, parent in places().items():
        for count in CLIP_COUNTS:
            check_room(parent, 2 * count * size)
            with workplace(parent) as folder:
                times = measure(folder, size, count, rounds)
            add_rows(table, (where, count), times, count * size, against)
            table.missed += missed(f"{where}, clips: {count}", times, GOALS[where])
    table.notes.append(f"median of {rounds} rounds, all ways in each; range: least and most")
    table.notes.append("both daemons, their opponents' both ends and the disk share this machine")
    return table


def measure(folder: Path, clip_bytes: int, count: int, rounds: int) -> Times:
    """Return the seconds of each way, round by round."""
    staged = folder / "staged"
    make_roll(staged, clip_bytes, count)
    return in_turns(
        [
            partial(by_hand, staged, folder / "copy"),
            partial(_raw_one_by_one, staged, folder / "raw"),
            partial(hand_off, staged, folder, SEALED),
            partial(hand_off, staged, folder, CLEAR),
        ],
        rounds,
    )


def _raw_one_by_one(staged: Path, target: Path) -> Mapping[str, float]:
    clips = sorted((staged / "Clips").iterdir())
    each = [raw_limit(clip, target) for clip in clips]
    return {name: sum(times[name] for times in each) for name in each[0]}
