"""Holds that came back: a roll went on by itself, and was held for the very same again.

Owns: for how long such a roll stays held, whatever is seen of its cause; twice as long each time.
Must not: hold or release; whoever does asks before, and says that it did. A person's word comes
before all of this. Used by one thread at a time.
"""

from collections.abc import Collection
from dataclasses import dataclass

from syncd.limits import RELAPSE_WAIT_MAX_S, SELF_CURE_RETRY_S
from syncd.ports import Clock

# Held again only after so many times the wait, it is another trouble, however alike.
_APART = 4.0
_APART_S_MIN = 600.0


@dataclass(frozen=True, slots=True)
class _Release:
    why: str
    at_s: float
    wait_s: float


class Relapses:
    """Remembers the last release of each roll that went on by itself."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._releases: dict[str, _Release] = {}

    def may_go_on(self, roll_id: str, why: str) -> bool:
        """Tell whether a roll that is held for why may go on by itself now."""
        last = self._last(roll_id, why)
        return last is None or self._clock.monotonic_s() >= last.at_s + last.wait_s

    def is_again(self, roll_id: str, why: str) -> bool:
        """Tell whether a roll went on by itself not long ago, and is held for the same why."""
        return self._last(roll_id, why) is not None

    def goes_on(self, roll_id: str, why: str) -> None:
        """Take note that a roll that was held for why goes on by itself."""
        last = self._last(roll_id, why)
        wait_s = SELF_CURE_RETRY_S if last is None else min(2 * last.wait_s, RELAPSE_WAIT_MAX_S)
        self._releases[roll_id] = _Release(why, self._clock.monotonic_s(), wait_s)

    def keep(self, roll_ids: Collection[str]) -> None:
        """Forget all other rolls."""
        for roll_id in self._releases.keys() - set(roll_ids):
            del self._releases[roll_id]

    def _last(self, roll_id: str, why: str) -> _Release | None:
        last = self._releases.get(roll_id)
        if last is None or last.why != why:
            return None
        past_s = self._clock.monotonic_s() - last.at_s
        return last if past_s < max(_APART_S_MIN, _APART * last.wait_s) else None
