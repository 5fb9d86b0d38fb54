"""20,000 files of 64 KiB handed over, against `tar` through a socket and a hash check over there.

Tar: packed into a plain socket, unpacked at its other end, synced, and there checked by `xxhsum`
against the list of the source's digests. By hand: as in throughput.
"""

from functools import partial
from pathlib import Path

from tests.bench.handing import CLEAR, SEALED, hand_off
from tests.bench.opponents import BY_HAND, TAR, by_hand, by_tar, need
from tests.bench.staging import make_roll, write_list
from tests.bench.table import Table
from tests.bench.versus import Goal, Times, add_rows, in_turns, make_table, missed
from tests.bench.workplace import check_room, places, workplace

ROUNDS = 5
FILES, FILE_BYTES = 20_000, 64 << 10
GOALS = (Goal(SEALED, TAR, 1.0), Goal(CLEAR, TAR, 1.0))


def run(*, small: bool = False) -> Table:
    """Measure in memory and on disk."""
    count, rounds = (FILES // 8, 1) if small else (FILES, ROUNDS)
    against = (TAR, BY_HAND)
    table = make_table(f"{count:,} files of 64 KiB handed over", ("where",), against)
    need("xxhsum", "tar")
    for where, parent in places().items():
        check_room(parent, 2 * count * FILE_BYTES)
        with workplace(parent) as folder:
            times = measure(folder, count, rounds)
        add_rows(table, (where,), times, count * FILE_BYTES, against)
        table.missed += missed(where, times, GOALS)
    table.notes.append(f"median of {rounds} rounds, all ways in each; range: least and most")
    return table


def measure(folder: Path, count: int, rounds: int) -> Times:
    """Return the seconds of each way, round by round."""
    staged, listing = folder / "staged", folder / "A012.xxh64"
    write_list(listing, make_roll(staged, FILE_BYTES, count))
    return in_turns(
        [
            partial(by_tar, staged, folder / "copy", listing),
            partial(by_hand, staged, folder / "copy"),
            partial(hand_off, staged, folder, SEALED),
            partial(hand_off, staged, folder, CLEAR),
        ],
        rounds,
    )
