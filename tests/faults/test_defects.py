"""The simulation has teeth: every deliberate defect (defects.py) is found within its bound.

What each is, which promise it breaks and what finds it stands in defects.py; within how many seeds
each is found, from several first seeds:   python -m tests.faults.defects
"""

from collections.abc import Callable

import pytest

from syncd.roll.parcels import to_bitmap
from tests.faults import provoked
from tests.faults.defect import Defect, DefectOutdatedError, Edit
from tests.faults.defects import DEFECTS
from tests.faults.one_by_one import OFFLOAD, PROCESSING, commits, operations
from tests.faults.runs import quiet_log, run_seed

FIRST_SEED = 3000  # of those that are measured, the one from which all takes least time
SCENES = sorted({defect.found_by for defect in DEFECTS} - {run_seed}, key=lambda s: s.__name__)


@pytest.mark.parametrize("defect", DEFECTS, ids=lambda defect: defect.name.replace(" ", "-"))
def test_the_defect_is_found_within_its_bound(defect: Defect) -> None:
    """A promise is seen to be broken, and it was the wrong code that ran."""
    with quiet_log():
        found = defect.find(range(FIRST_SEED, FIRST_SEED + defect.seeds_max))
    assert found.tried <= defect.seeds_max


@pytest.mark.parametrize("scene", SCENES, ids=lambda scene: scene.__name__)
def test_the_scene_passes_where_the_code_is_right(scene: Callable[[int], object]) -> None:
    """What finds defects finds none in syncd as it is; random days have their own test."""
    with quiet_log():
        for seed in range(4):
            scene(seed)


def test_every_operation_and_commit_is_reached_by_some_seed() -> None:
    """The scenes with one crash choose among at least as many places as there are."""
    assert len(operations(PROCESSING)) <= provoked.OPERATIONS
    assert max(commits(PROCESSING), commits(OFFLOAD)) <= provoked.COMMITS


def test_a_defect_is_gone_when_it_is_done() -> None:
    """What was exchanged is put back, and the wrong code counts its executions."""
    edit = Edit("roll.parcels:to_bitmap", "return bytes(bitmap)", "return ran() and b'wrong'")
    defect = Defect("", 4, "", (edit,), lambda _: None, 1)
    with defect.planted() as ran:
        assert to_bitmap([0], 1) == b"wrong"
    assert ran[edit] == 1
    assert to_bitmap([0], 1) == b"\1"


@pytest.mark.parametrize(
    ("where", "right"),
    [
        ("roll.parcels:to_bytes", "return bytes(bitmap)"),
        ("roll.parcels:Plan.count", "return bytes(bitmap)"),
        ("roll.parcels:to_bitmap", "return bitmap"),
        ("roll.parcels:to_bitmap", "bitmap"),
    ],
    ids=["no such function", "no such class", "no such code", "code that stands there often"],
)
def test_a_defect_whose_code_is_gone_says_so(where: str, right: str) -> None:
    """Nobody is to believe in a defect that was never planted."""
    defect = Defect("", 4, "", (Edit(where, right, "ran()"),), lambda _: None, 1)
    with pytest.raises(DefectOutdatedError), defect.planted():
        pass


def test_a_defect_that_nothing_finds_is_reported_with_what_ran() -> None:
    """A bound that is passed says whether the wrong code was reached at all."""
    edit = Edit("roll.parcels:to_bitmap", "return bytes(bitmap)", "return ran() and bytes(bitmap)")
    defect = Defect("harmless", 4, "", (edit,), lambda _: to_bitmap([0], 1), 3)
    with pytest.raises(AssertionError, match=r"harmless: not found in range\(0, 3\).*: 3"):
        defect.find(range(3))


def test_a_failure_in_which_the_wrong_code_had_no_part_does_not_count() -> None:
    """A run that fails for another reason finds nothing."""

    def fails(seed: int) -> None:
        raise AssertionError(f"for another reason, in seed {seed}")

    edit = Edit("roll.parcels:to_bitmap", "return bytes(bitmap)", "return ran() and bytes(bitmap)")
    with pytest.raises(AssertionError, match="failed without"):
        Defect("idle", 4, "", (edit,), fails, 3).find(range(3))
