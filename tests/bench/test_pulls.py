"""The cable pulled while a roll is on its way: what the long run measures, in small."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from syncd.demo.cable import GIGABIT_BYTES_PER_S
from tests.bench.pulls import Plan, broken, plan, pull_through, stale
from tests.bench.trace import Cost, Passed, Pull, costs_of
from tests.bench.ways import How, RelayWay, Way, make_way

# The goal is 2 s, and the long run measures it; a machine that runs all tests may be busier.
BACK_S_MAX = 6.0
FILES = {f"Clips/A012C{number:03}.mov": 400_000_000 for number in range(1, 4)}


@pytest.fixture
def way(tmp_path: Path) -> Iterator[Way]:
    """Give the best cable that this machine has: network namespaces, or a relay on loopback."""
    made = make_way(tmp_path / "pair")
    yield made
    made.close()


@pytest.fixture
def relay(tmp_path: Path) -> Iterator[Way]:
    """Give a cable whose cut resets every connection."""
    made = RelayWay(tmp_path / "pair")
    yield made
    made.close()


def test_five_pulls_in_one_roll_cost_little(way: Way, tmp_path: Path) -> None:
    """Bytes flow soon, and nothing is lost, sent in vain, left open or said too often."""
    plans = plan(way.hows, 5, (0.2, 1.2), seed=5)

    outcome = pull_through(way, tmp_path, FILES, plans, GIGABIT_BYTES_PER_S)

    assert broken(outcome, BACK_S_MAX) == []


def test_eight_resets_in_one_roll_leave_nothing_behind(relay: Way, tmp_path: Path) -> None:
    """The same where lanes are opened anew each time; a lane's buffers kept would be 4 MiB each."""
    plans = plan(relay.hows, 8, (0.05, 0.2), seed=8)

    outcome = pull_through(relay, tmp_path, FILES, plans, GIGABIT_BYTES_PER_S)

    assert broken(outcome, BACK_S_MAX) == []
    assert outcome.costs.again_bytes > 0, "a reset throws away what was under way"


def passed(at_s: float, offset: int, lane: str = "lane-0") -> Passed:
    """Make a MiB that passed a disk."""
    return Passed(at_s, lane, "A012C001.mov", offset << 20, 1 << 20)


def test_what_travels_again_is_laid_to_the_pull_and_the_lane_that_lost_it() -> None:
    """Also what it read into the system's buffers after that, or before it knew of its loss."""
    pulls = [Pull("down", 2.0, 4.0), Pull("down", 10.0, 12.0)]
    read = [
        *(passed(0.5, 9), passed(0.7, 9), passed(1.9, 1, "lane-1"), passed(3.0, 2)),
        *(passed(5.0, 1), passed(5.1, 2), passed(9.0, 3)),
        *(passed(13.0, 3), passed(14.0, 3)),
    ]

    costs = costs_of(pulls, read, [])

    assert [cost.again_bytes for cost in costs.pulls] == [
        {"lane-1": 1 << 20, "lane-0": 1 << 20},
        {"lane-0": 2 << 20},
    ]
    assert (costs.new_bytes, costs.again_bytes) == (4 << 20, 5 << 20)
    assert costs.without_pull_bytes == 1 << 20


def test_a_return_counts_from_the_mended_cable_to_the_first_byte_written() -> None:
    """And to the first one that was not on the storage before."""
    pulls = [Pull("down", 2.0, 4.0)]
    written = [passed(1.0, 0), passed(2.1, 1), passed(4.5, 1), passed(5.0, 2)]

    (cost,) = costs_of(pulls, written, written).pulls

    assert (cost.back_s, cost.fresh_s) == (0.5, 1.0)


def test_a_new_byte_is_late_unless_the_next_pull_came_first() -> None:
    """What is cut off again half a second later had no time for one."""
    early = Cost(Pull("down", 1.0, 2.0), back_s=0.1, fresh_s=1.0)
    cut_short = Cost(Pull("down", 4.0, 5.0), back_s=0.1)
    late = Cost(Pull("down", 5.5, 6.0), back_s=0.1, fresh_s=2.5)
    never = Cost(Pull("down", 9.0, 10.0), back_s=0.1)

    assert [stale(costs, 2.0) for costs in ([early, cut_short, late], [early, never])] == [1, 1]


def test_every_way_of_pulling_is_planned_and_a_seed_plans_the_same_again() -> None:
    """So that a run can be looked at once more."""
    hows = (How.DOWN_HERE, How.DOWN_THERE, How.SILENT)
    plans = plan(hows, 9, (0.2, 3.0), seed=1)

    assert plans == plan(hows, 9, (0.2, 3.0), seed=1) != plan(hows, 9, (0.2, 3.0), seed=2)
    assert sorted(one.how for one in plans) == sorted(hows * 3)
    assert all(isinstance(one, Plan) and 0.2 <= one.break_s <= 3.0 for one in plans)
