"""Several ways to do the same, one after the other, round after round; what each takes of another.

A ratio is taken within each round, so that whatever slows a whole round down is in both; the median
of the rounds counts, and the least and the most are shown.
"""

import statistics
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from tests.bench.table import Table

# Does it once; returns the seconds of what it did, by name: of a part of it, too, if that matters.
Way = Callable[[], Mapping[str, float]]
Times = Mapping[str, Sequence[float]]


@dataclass(frozen=True, slots=True)
class Spread:
    """What several rounds came to."""

    median: float
    least: float
    most: float

    @property
    def range(self) -> str:
        """Least and most, for a table."""
        return f"{self.least:.3g}-{self.most:.3g}"


@dataclass(frozen=True, slots=True)
class Goal:
    """way is to take at most so many times as long as against."""

    way: str
    against: str
    ratio_max: float


def in_turns(ways: Sequence[Way], rounds: int) -> Times:
    """Do all, so many times; who begins changes, so that nobody always comes after the same."""
    times: dict[str, list[float]] = defaultdict(list)
    for number in range(rounds):
        first = number % len(ways)
        for way in (*ways[first:], *ways[:first]):
            for name, seconds in way().items():
                times[name].append(seconds)
    return times


def spread(values: Sequence[float]) -> Spread:
    """Sum up."""
    return Spread(statistics.median(values), min(values), max(values))


def ratio(times: Times, way: str, against: str) -> Spread:
    """Return how many times as long as against way took, round by round."""
    pairs = zip(times[way], times[against], strict=True)
    return spread([ours / theirs for ours, theirs in pairs])


def make_table(title: str, lead: Sequence[str], against: Sequence[str]) -> Table:
    """Make a table for add_rows."""
    ratios = [column for name in against for column in (f"x {name}", f"x {name}, range")]
    return Table(title, (*lead, "way", "s", "s, range", "MB/s", *ratios))


def add_rows(
    table: Table, lead: Sequence[object], times: Times, total_bytes: int, against: Sequence[str]
) -> None:
    """Add a row for each way: its seconds, and its ratio to each of against."""
    for name, values in times.items():
        took = spread(values)
        ratios = [ratio(times, name, other) for other in against]
        told = [value for each in ratios for value in (each.median, each.range)]
        rate = round(total_bytes / took.median / 1e6)
        table.add(*lead, name, took.median, took.range, rate, *told)


def missed(where: str, times: Times, goals: Sequence[Goal]) -> list[str]:
    """Say which goals were missed, [] if none."""
    found = []
    for goal in goals:
        took = ratio(times, goal.way, goal.against)
        if took.median > goal.ratio_max:
            found.append(
                f"{where}: {goal.way} took {took.median:.2f} x {goal.against} ({took.range}), "
                f"wanted at most {goal.ratio_max:g}"
            )
    return found
