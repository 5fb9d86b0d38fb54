"""When rolls will have landed, and which will be late, told before they are.

Owns: the smoothed rate and the sums. Must not: read a clock or decide the order.

The smoothing is that of RFC 6298, section 2: the mean deviation is updated before the mean, with
gains of 1/4 and 1/8. Rolls go one after the other in the order given; for rolls that are all
present and ordered by needed-by, everything is in time exactly when, for each needed-by d, the
bytes due by d are at most rate x (d - now) (Jackson 1955; Dertouzos 1974).
"""

from collections.abc import Sequence
from dataclasses import dataclass

from syncd.limits import UTC_MS_MAX
from syncd.moments import within_calendar

SAMPLE_S_MIN = 1.0  # shorter samples measure buffers
SAMPLE_S_MAX = 60.0  # a longer one spans a pause, and says nothing about the link


class Rate:
    """A smoothed rate, fed with a running total of bytes."""

    def __init__(self) -> None:
        self._since: tuple[int, float] | None = None
        self._mean: float | None = None
        self._deviation = 0.0

    @property
    def bytes_per_s(self) -> float | None:
        """The smoothed rate, None before the first whole sample."""
        return self._mean

    @property
    def deviation_bytes_per_s(self) -> float:
        """How far samples lie from the rate, on average."""
        return self._deviation

    def add(self, total_bytes: int, now_s: float) -> None:
        """Take note of the running total at a monotonic time."""
        if self._since is None or total_bytes < self._since[0]:
            self._since = (total_bytes, now_s)
            return
        taken_s = now_s - self._since[1]
        if taken_s < SAMPLE_S_MIN:
            return
        moved = total_bytes - self._since[0]
        self._since = (total_bytes, now_s)
        if taken_s <= SAMPLE_S_MAX and moved:
            self._smooth(moved / taken_s)

    def _smooth(self, sample: float) -> None:
        if self._mean is None:
            self._mean, self._deviation = sample, sample / 2
            return
        self._deviation += (abs(self._mean - sample) - self._deviation) / 4
        self._mean += (sample - self._mean) / 8


@dataclass(frozen=True, slots=True)
class Waiting:
    """A roll that still has bytes to move."""

    roll_id: str
    remaining_bytes: int
    needed_by_utc_ms: int | None


@dataclass(frozen=True, slots=True)
class Expected:
    """When a roll will have landed (None: not known) and whether that is after its needed-by."""

    at_utc_ms: int | None
    late: bool


def forecast(
    waiting: Sequence[Waiting], bytes_per_s: float | None, now_utc_ms: int
) -> dict[str, Expected]:
    """Return what to expect of each roll if they go in the order given, at this rate.

    Without a rate only what is past its needed-by already is known to be late.
    """
    expected: dict[str, Expected] = {}
    bytes_before = 0
    for roll in waiting:
        bytes_before += max(0, roll.remaining_bytes)
        at = None
        if bytes_per_s:
            # Of a terabyte at a few bytes a second the calendar has no date.
            wait_ms = min(bytes_before / bytes_per_s * 1000, float(UTC_MS_MAX))
            at = within_calendar(now_utc_ms + round(wait_ms))
        needed_by = roll.needed_by_utc_ms
        late = needed_by is not None and (now_utc_ms if at is None else at) > needed_by
        expected[roll.roll_id] = Expected(at, late)
    return expected
