"""An image sequence of 2,000 x 12 MiB handed over, against `tar` through a socket and a hash check.

25 GB lie there twice at a time. Where memory or disk has no room for that, the sequence is as much
shorter as it has to be, and the table says so.
"""

from functools import partial
from pathlib import Path

from tests.bench.handing import CLEAR, SEALED, hand_off
from tests.bench.opponents import TAR, by_tar, need
from tests.bench.staging import make_roll, write_list
from tests.bench.table import Table
from tests.bench.versus import Goal, Times, add_rows, in_turns, make_table, missed
from tests.bench.workplace import places, room_bytes, workplace

ROUNDS = 3
FRAMES, FRAME_BYTES = 2_000, 12 << 20
GOALS = (Goal(SEALED, TAR, 1.0), Goal(CLEAR, TAR, 1.0))


def run(*, small: bool = False) -> Table:
    """Measure in memory and on disk."""
    wanted, rounds = (FRAMES // 40, 1) if small else (FRAMES, ROUNDS)
    against = (TAR,)
    table = make_table("frames of 12 MiB handed over", ("where", "frames"), against)
    need("xxhsum", "tar")
    for where, parent in places().items():
        with workplace(parent) as folder:
            count = min(wanted, room_bytes(parent) // (2 * FRAME_BYTES))
            if count == 0:
                raise SystemExit(f"{parent} has no room for two frames: make some.")
            times = measure(folder, count, rounds)
        add_rows(table, (where, count), times, count * FRAME_BYTES, against)
        table.missed += missed(where, times, GOALS)
        if count < wanted:
            table.notes.append(f"{where}: not {wanted:,} frames, for want of room")
    table.notes.append(f"median of {rounds} rounds, all ways in each; range: least and most")
    return table


def measure(folder: Path, count: int, rounds: int) -> Times:
    """Return the seconds of each way, round by round."""
    staged, listing = folder / "staged", folder / "A012.xxh64"
    write_list(listing, make_roll(staged, FRAME_BYTES, count))
    return in_turns(
        [
            partial(by_tar, staged, folder / "copy", listing),
            partial(hand_off, staged, folder, SEALED),
            partial(hand_off, staged, folder, CLEAR),
        ],
        rounds,
    )
