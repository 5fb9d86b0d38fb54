"""One small hand-off, over and over, with one mishap each time: at the first operation, the second.

Owns: which mishaps there are, and how a run with one of them must end. Must not: choose how many
of them are tried; the tests do.
"""

import asyncio
import errno
import itertools
import os
import random
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import cache
from sqlite3 import Connection
from typing import TypeVar

from syncd.journal.journal import Journal, JournalError
from syncd.roll.stages import SELF_CURING, Stage
from tests.evidence.samples import history, manifest, records
from tests.faults.runs import cut_finely
from tests.faults.scenes import alive, order_by_hand, put_roll, row_of
from tests.faults.sim_disk import SimCrash
from tests.faults.sim_tree import Tree
from tests.faults.truths import check_all, watch
from tests.faults.virtual_time import run_simulated
from tests.faults.world import Box, World

T = TypeVar("T")
Mishap = Callable[[Box], None]

OFFLOAD, PROCESSING = "offload-1", "process-1"
ROLL = "A012"
SEED = 7
LOOK_EVERY_S = 0.2
LIMIT_S = 400.0
MENDED_AFTER_S = 40.0
PATIENCE_S = 8.0  # for so long a roll is held before a person says `syncd go`
# What a disk refuses when it is full; the rest of what a daemon does still works.
GROWING = frozenset({"write", "open_write", "make_folders", "make_new_file", "replace_file"})


def rolls_files(kind: str, rng: random.Random) -> dict[str, bytes]:
    """Return a roll's media: a few files in several parcels, or many in each of a few."""
    if kind == "stills":
        return {f"Stills/A012_{n:05}.dpx": rng.randbytes(rng.randrange(900)) for n in range(18)}
    return {
        "Clips/A012C001.mov": rng.randbytes(20_000),
        "Clips/A012C002.mov": rng.randbytes(3_000),
        "Clips/A012C002.xml": rng.randbytes(200),
        "empty.txt": b"",
    }


def hand_over(
    box_name: str = OFFLOAD, mishap: Mishap | None = None, *, kind: str = "clips"
) -> World:
    """Hand one roll over, with a mishap on one box; raise AssertionError unless all ends well.

    A roll of clips comes with an ASC MHL history, one of stills with a checksum list.
    """
    world = World(SEED)
    for box in (world.offload, world.processing):
        box.journal = WatchedJournal()
    failures = watch(world)
    files = rolls_files(kind, world.rng)
    evidence = history(manifest(records(files))) if kind == "clips" else None
    put_roll(world, ROLL, files, evidence=evidence)
    if mishap is not None:
        mishap(_box(world, box_name))

    async def main() -> None:
        async with alive(world.offload, world.processing):
            await _to_the_end(world, failures)

    with cut_finely():
        run_simulated(main(), limit_s=10 * LIMIT_S)
        check_all(world)
    return world


def _box(world: World, name: str) -> Box:
    return {box.name: box for box in (world.offload, world.processing)}[name]


async def _to_the_end(world: World, failures: list[AssertionError]) -> None:
    """Wait until the roll is ready on both boxes; be the person who lets a held one go on."""
    loop = asyncio.get_running_loop()
    ends_s = loop.time() + LIMIT_S
    held_since_s: float | None = None
    while not world.all_ready():
        assert loop.time() < ends_s, f"promise 4: it does not go on: {world.stages()}"
        check_all(world)
        for failure in failures:
            raise failure
        row = row_of(world.offload, ROLL)
        if row is None or row.held is None or row.held.code in SELF_CURING:
            held_since_s = None
        elif held_since_s is None:
            held_since_s = loop.time()
        elif loop.time() - held_since_s > PATIENCE_S:
            order_by_hand(world.offload, ROLL, go=True)
            held_since_s = None
        await asyncio.sleep(LOOK_EVERY_S)


def held_for(world: World) -> set[str]:
    """Return every reason for which the roll was held on either box."""
    return {
        line.note.partition(":")[0]
        for box in (world.offload, world.processing)
        for row in box.rows()
        for line in box.history(row.roll_id)
        if line.stage is Stage.HELD
    }


@cache
def operations(box_name: str, *, kind: str = "clips") -> tuple[str, ...]:
    """Return the operations of a box's disk that the hand-off takes, in their order."""
    seen: list[str] = []

    def record(box: Box) -> None:
        box.disk.at_op = lambda op, _path: seen.append(op)

    hand_over(box_name, record, kind=kind)
    return tuple(seen)


@cache
def commits(box_name: str) -> int:
    """Return how many transactions of a box's journal the hand-off takes."""
    seen: list[bool] = []

    def record(box: Box) -> None:
        _journal(box).at_commit = seen.append

    hand_over(box_name, record)
    return sum(seen)


# What a loss of power leaves of unsynced changes


class _NeverKept(random.Random):
    """Chance that keeps no unsynced change."""

    def random(self) -> float:
        return 1.0

    def choice(self, seq: Sequence[T]) -> T:  # type: ignore[override]
        return seq[0]


def lose_all(tree: Tree, rng: random.Random) -> None:
    """Keep nothing that was not synced."""
    del rng
    tree.lose_power(_NeverKept(0))


def keep_all(tree: Tree, rng: random.Random) -> None:
    """Keep everything, as when only the process died."""
    tree.sync_all()
    lose_all(tree, rng)


def keep_names(tree: Tree, rng: random.Random) -> None:
    """Keep all names, and no data that was not synced."""
    for change in tuple(tree.pending):
        for folder in tuple(change.unsynced):
            tree.sync_names(folder)
    lose_all(tree, rng)


def keep_data(tree: Tree, rng: random.Random) -> None:
    """Keep what was written into every file, and no name that was not synced."""
    for inode in tree.walk():
        inode.sync()
    lose_all(tree, rng)


FATES: dict[str, Callable[[Tree, random.Random], None]] = {
    "all lost": lose_all,
    "all kept": keep_all,
    "names without data": keep_names,
    "data without names": keep_data,
    "mixed": Tree.lose_power,
}


# Mishaps


def power_lost_at(number: int, fate: str, *, again_after: int | None = None) -> Mishap:
    """Make the power go at operation number of a box's disk, and again so many operations later."""

    def strike(box: Box) -> None:
        numbers = itertools.count(1)
        last = {number, number if again_after is None else number + again_after}
        box.disk.lose = FATES[fate]

        def at_op(op: str, path: str) -> None:
            if next(numbers) in last:
                _lose_power(box, f"{op} {path}")

        box.disk.at_op = at_op

    return strike


def power_lost_at_commit(number: int, fate: str, *, is_kept: bool) -> Mishap:
    """Make the power go right before or right after a commit of the journal."""

    def strike(box: Box) -> None:
        numbers = itertools.count(1)
        box.disk.lose = FATES[fate]

        def at_commit(is_done: bool) -> None:
            if is_done is is_kept and next(numbers) == number:
                _lose_power(box, f"commit {number}")

        _journal(box).at_commit = at_commit

    return strike


def _lose_power(box: Box, where: str) -> None:
    box.disk.crash_at_op = box.disk.ops
    raise SimCrash(f"the power went at {where}")


def failing_at(number: int, code: int, *, is_lasting: bool) -> Mishap:
    """Make a box's disk fail at operation number, once, or from there until it is mended.

    A full disk (ENOSPC) refuses only what needs room.
    """

    def strike(box: Box) -> None:
        numbers = itertools.count(1)
        mended = _Mended()

        def at_op(op: str, path: str) -> None:
            reached = next(numbers)
            if code == errno.ENOSPC and op not in GROWING:
                return
            if reached == number or (reached > number and is_lasting and not mended.is_so()):
                raise OSError(code, os.strerror(code), path)

        box.disk.at_op = at_op

    return strike


def journal_failing_at(number: int, *, is_lasting: bool) -> Mishap:
    """Make a box's journal fail at commit number, once, or from there until it is mended."""

    def strike(box: Box) -> None:
        numbers = itertools.count(1)
        mended = _Mended()

        def at_commit(is_done: bool) -> None:
            if is_done:
                return
            reached = next(numbers)
            if reached == number or (reached > number and is_lasting and not mended.is_so()):
                raise JournalError("The journal's disk is full.", remedy="Free space on it.")

        _journal(box).at_commit = at_commit

    return strike


class _Mended:
    """Tells whether somebody has mended what failed: a while after it was first asked."""

    def __init__(self) -> None:
        self._at_s: float | None = None

    def is_so(self) -> bool:
        now_s = asyncio.get_running_loop().time()
        if self._at_s is None:
            self._at_s = now_s + MENDED_AFTER_S
        return now_s >= self._at_s


class WatchedJournal(Journal):
    """A journal in memory that tells of each commit: before it, and after it took effect."""

    def __init__(self) -> None:
        self.at_commit: Callable[[bool], None] | None = None
        super().__init__(None)

    @contextmanager
    def write(self) -> Iterator[Connection]:
        with super().write() as db:
            yield db
            self._tell(False)
        self._tell(True)

    def _tell(self, is_done: bool) -> None:
        if self.at_commit is not None:
            self.at_commit(is_done)


def _journal(box: Box) -> WatchedJournal:
    assert isinstance(box.journal, WatchedJournal), "hand_over() gives the boxes such journals"
    return box.journal
