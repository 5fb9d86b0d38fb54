"""Ratios are taken round by round, and a goal that is missed is named with its figures."""

import json
from collections.abc import Mapping

from tests.bench.versus import Goal, Way, add_rows, in_turns, make_table, missed, ratio

# The second round was slow for everybody; ours took twice as long in the first, half in the others.
TIMES = {"ours": [2.0, 50.0, 0.5], "theirs": [1.0, 100.0, 1.0]}


def test_a_slow_round_is_in_both_and_does_not_change_the_ratio() -> None:
    """The median of the ratios, and not the ratio of the medians, which would be 2."""
    took = ratio(TIMES, "ours", "theirs")

    assert (took.median, took.least, took.most) == (0.5, 0.5, 2.0)


def test_a_missed_goal_is_said_with_what_was_measured() -> None:
    """And one that was reached is not."""
    goals = (Goal("ours", "theirs", 0.4), Goal("ours", "theirs", 0.5))

    assert missed("disk", TIMES, goals) == [
        "disk: ours took 0.50 x theirs (0.5-2), wanted at most 0.4"
    ]


def test_every_way_begins_a_round_once_and_is_timed_in_each() -> None:
    """Nobody always finds what the same other left behind; parts of a way count, too."""
    order = []

    def way(name: str) -> Way:
        def once() -> Mapping[str, float]:
            order.append(name)
            return {name: float(len(order)), f"{name}, half of it": len(order) / 2}

        return once

    times = in_turns([way("a"), way("b"), way("c")], 3)

    assert "".join(order) == "abcbcacab"
    assert times["b"] == [2.0, 4.0, 9.0]
    assert times["b, half of it"] == [1.0, 2.0, 4.5]


def test_rows_have_a_ratio_to_each_opponent_and_survive_json() -> None:
    """One row for each way; its rate from the median."""
    table = make_table("a clip", ("where",), ("theirs",))
    add_rows(table, ("disk",), TIMES, 10**9, ("theirs",))

    assert json.loads(json.dumps(table.plain()))["rows"][0] == {
        "where": "disk",
        "way": "ours",
        "s": 2.0,
        "s, range": "0.5-50",
        "MB/s": 500,
        "x theirs": 0.5,
        "x theirs, range": "0.5-2",
    }
