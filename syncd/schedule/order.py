"""A roll's place: rank (small first), then needed-by, earliest first, then arrival.

Owns: the comparison, and the rules that give a newly arrived roll its place.
Must not: know which roll is on the wire; see feed.py.
"""

import functools
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase

RANK_DEFAULT = 100
_TIME_OF_DAY = re.compile(r"([01][0-9]|2[0-3]):([0-5][0-9])")
_MINUTE_MS = 60_000
_DAY_MS = 24 * 60 * _MINUTE_MS


@functools.total_ordering
@dataclass(frozen=True, slots=True)
class Place:
    """Where a roll stands; the smallest goes first. Without a needed-by it goes after those with.

    Among equal places the roll that arrived first goes first. Ranks are set by people, so a roll
    of a large rank does wait for as long as there are rolls of smaller ranks.
    """

    rank: int
    needed_by_utc_ms: int | None
    arrived_utc_ms: int

    def __lt__(self, other: "Place") -> bool:
        return self._key() < other._key()

    def _key(self) -> tuple[int, bool, int, int]:
        needed_by = self.needed_by_utc_ms
        return (self.rank, needed_by is None, needed_by or 0, self.arrived_utc_ms)


@dataclass(frozen=True, slots=True)
class OrderRule:
    """Gives a rank and a time of day to the rolls whose name and day match.

    match, day: shell patterns, upper and lower case told apart.
    needed_by: "HH:MM" local time, or None.

    Raises ValueError if needed_by is no time of day.
    """

    match: str = "*"
    day: str = "*"
    rank: int = RANK_DEFAULT
    needed_by: str | None = None

    def __post_init__(self) -> None:
        if self.needed_by is not None and not _TIME_OF_DAY.fullmatch(self.needed_by):
            raise ValueError(f'{self.needed_by!r} is no time of day such as "19:00"')

    def covers(self, day: str, name: str) -> bool:
        """Tell whether the rule is about this roll."""
        return fnmatchcase(name, self.match) and fnmatchcase(day, self.day)


def place_for(
    rules: Sequence[OrderRule], day: str, name: str, *, arrived_utc_ms: int, utc_offset_s: int
) -> Place:
    """Return the place that the first matching rule gives; without one, RANK_DEFAULT.

    utc_offset_s: how far local time is ahead of UTC, for the rules' times of day.
    """
    rule = next((rule for rule in rules if rule.covers(day, name)), None)
    if rule is None:
        return Place(RANK_DEFAULT, None, arrived_utc_ms)
    if rule.needed_by is None:
        return Place(rule.rank, None, arrived_utc_ms)
    needed_by = next_time_of_day(rule.needed_by, arrived_utc_ms, utc_offset_s)
    return Place(rule.rank, needed_by, arrived_utc_ms)


def next_time_of_day(text: str, after_utc_ms: int, utc_offset_s: int) -> int:
    """Return the first moment after after_utc_ms at which local clocks show text ("HH:MM").

    Raises ValueError if text is no time of day.
    """
    found = _TIME_OF_DAY.fullmatch(text)
    if found is None:
        raise ValueError(f'{text!r} is no time of day such as "19:00"')
    offset_ms = utc_offset_s * 1000
    local_midnight_ms = (after_utc_ms + offset_ms) // _DAY_MS * _DAY_MS
    local_ms = local_midnight_ms + (int(found[1]) * 60 + int(found[2])) * _MINUTE_MS
    moment = local_ms - offset_ms
    return moment if moment > after_utc_ms else moment + _DAY_MS


def rush_rank(ranks: Iterable[int]) -> int:
    """Return a rank before all of ranks, and at most 0."""
    return min(0, min(ranks, default=1) - 1)
