"""The first operation of a hand-off fails, then the second, and so on to the last (traps, 10).

One small roll goes from landing to publication. For every operation of either box's disk, and for
every commit of its journal, the power goes right there, with unsynced changes lost, kept, or half
of each; and every operation fails, once or until somebody mends the disk. After each the roll is
ready, nothing false was ever there (truths.py), and a hold had the right reason.

The longer ones, `python -m pytest -m long tests/faults/test_every_crash.py`: every operation where
CI takes a sample, a second crash at every operation after the first, and a roll of stills, too.
"""

import errno
import random
from collections.abc import Callable, Iterable

import pytest

from syncd.roll.stages import HeldCode
from tests.faults.one_by_one import (
    FATES,
    GROWING,
    OFFLOAD,
    PROCESSING,
    Mishap,
    commits,
    failing_at,
    hand_over,
    held_for,
    journal_failing_at,
    operations,
    power_lost_at,
    power_lost_at_commit,
)
from tests.faults.sim_disk import SimDisk

# A timeout strikes whatever task runs then, whose box hangs from there on: as if a promise broke.
pytestmark = pytest.mark.timeout(1800)

SAMPLE = 5  # CI takes one operation in so many where each costs a long outage
LONG = pytest.mark.long
KINDS = ("clips", pytest.param("stills", marks=LONG))
STORAGE_FAILS = {HeldCode.STORAGE_ERROR, HeldCode.STORAGE_ABSENT}
REASONS: dict[tuple[str, int], set[HeldCode]] = {
    (PROCESSING, errno.EIO): STORAGE_FAILS,
    (PROCESSING, errno.ENOSPC): {HeldCode.STORAGE_FULL},
    (OFFLOAD, errno.EIO): {HeldCode.SOURCE_UNREADABLE},
}


def _try_each(
    box_name: str,
    numbers: Iterable[int],
    mishap: Callable[[int], Mishap],
    *,
    kind: str = "clips",
    reasons: Iterable[HeldCode] = (),
) -> None:
    """Run the hand-off once for each number; name all that did not end well."""
    wrong = []
    tried = 0
    for number in numbers:
        tried += 1
        try:
            held = held_for(hand_over(box_name, mishap(number), kind=kind))
        except AssertionError as error:
            wrong.append(f"at {number} of {box_name}: {error}")
            continue
        if not held <= set(reasons):
            wrong.append(f"at {number} of {box_name}: held for {held}")
    assert tried, "the hand-off has no such operation"
    assert not wrong, "\n".join([f"{len(wrong)} of {tried} went wrong", *wrong])


def _operations(box_name: str, code: int = 0, *, kind: str = "clips") -> list[int]:
    """Return the numbers of the operations of a box that may fail with code."""
    ops = enumerate(operations(box_name, kind=kind), 1)
    return [number for number, op in ops if code != errno.ENOSPC or op in GROWING]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("fate", FATES)
def test_the_storage_box_may_lose_power_at_every_operation(fate: str, kind: str) -> None:
    """Whatever of the unsynced changes is left, the roll is finished and nothing false is shown."""
    numbers = _operations(PROCESSING, kind=kind)
    _try_each(PROCESSING, numbers, lambda number: power_lost_at(number, fate), kind=kind)


@pytest.mark.parametrize("kind", KINDS)
def test_the_offload_box_may_lose_power_at_every_operation(kind: str) -> None:
    """It writes no file of the source, so that there is one way to lose it only."""
    numbers = _operations(OFFLOAD, kind=kind)
    _try_each(OFFLOAD, numbers, lambda number: power_lost_at(number, "mixed"), kind=kind)


@pytest.mark.parametrize("is_kept", [False, True], ids=["before", "after"])
@pytest.mark.parametrize("fate", FATES)
@pytest.mark.parametrize("box_name", [OFFLOAD, PROCESSING])
def test_a_box_may_lose_power_at_every_commit(box_name: str, fate: str, is_kept: bool) -> None:
    """Journal and storage agree, whichever of the two was the last to become durable."""
    numbers = range(1, commits(box_name) + 1)
    _try_each(box_name, numbers, lambda number: power_lost_at_commit(number, fate, is_kept=is_kept))


@pytest.mark.parametrize(("box_name", "code"), REASONS)
def test_every_operation_may_fail_once(box_name: str, code: int) -> None:
    """It cures itself, or is held with the right reason and goes on when a person says so."""
    _try_each(
        box_name,
        _operations(box_name, code),
        lambda number: failing_at(number, code, is_lasting=False),
        reasons=REASONS[box_name, code],
    )


@pytest.mark.parametrize("is_lasting", [False, True], ids=["once", "until mended"])
@pytest.mark.parametrize("box_name", [OFFLOAD, PROCESSING])
def test_the_journal_may_fail_at_every_commit(box_name: str, is_lasting: bool) -> None:
    """A full disk under a journal delays the roll; nothing is held for it, and all goes on."""
    numbers = range(1, commits(box_name) + 1)
    _try_each(box_name, numbers, lambda number: journal_failing_at(number, is_lasting=is_lasting))


@pytest.mark.parametrize("step", [SAMPLE, pytest.param(1, marks=LONG)])
@pytest.mark.parametrize(("box_name", "code"), REASONS)
def test_a_disk_may_fail_from_every_operation_on(box_name: str, code: int, step: int) -> None:
    """Once it is mended the roll goes on, by itself or when a person says so."""
    _try_each(
        box_name,
        _operations(box_name, code)[::step],
        lambda number: failing_at(number, code, is_lasting=True),
        reasons=REASONS[box_name, code] | (STORAGE_FAILS if box_name == PROCESSING else set()),
    )


@pytest.mark.long
@pytest.mark.parametrize("fate", ["all lost", "mixed"])
@pytest.mark.parametrize("again_after", range(1, 60))
def test_the_storage_box_may_lose_power_again_while_it_recovers(
    again_after: int, fate: str
) -> None:
    """A start that is cut short leaves nothing that the next one cannot take up."""
    _try_each(
        PROCESSING,
        _operations(PROCESSING),
        lambda number: power_lost_at(number, fate, again_after=again_after),
    )


@pytest.mark.parametrize(
    ("fate", "left"),
    [
        ("all lost", {"old": b"...."}),
        ("all kept", {"new": b"data", "old": b"data"}),
        ("names without data", {"new": b"", "old": b"...."}),
        ("data without names", {"old": b"data"}),
    ],
)
def test_a_loss_of_power_leaves_what_its_fate_says(fate: str, left: dict[str, bytes]) -> None:
    """The fates are as different as their names, else the tests above would be one and the same."""
    disk = SimDisk()
    folder = disk.open_folder("/")
    folder.make_new_file("old", b"....")
    disk.settle()
    disk.lose = FATES[fate]
    for name in ("old", "new"):
        file = folder.open_write(name)
        file.write([memoryview(b"data")], 0)
    disk.crash(random.Random(0))
    assert disk.files_below("") == left
