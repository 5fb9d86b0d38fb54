"""How often a peer may have the journal written, however it does so.

Owns: a budget for each peer, filled up steadily. What an honest day needs is far below it; a peer
that holds and releases, reorders or exchanges its rolls without end would fill the journal, and
push the notices that others wait for out of it. Must not: decide what becomes of one too many.
Thread-safe.
"""

import threading

from syncd.limits import CHANGES_BURST, CHANGES_PER_HOUR
from syncd.ports import Clock
from syncd.wire.authority import NotAllowedError

_SECONDS_PER_HOUR = 3600.0


class Changes:
    """The budgets of all peers, by name: so many at once, and then so many an hour."""

    def __init__(
        self, clock: Clock, burst: int = CHANGES_BURST, per_hour: int = CHANGES_PER_HOUR
    ) -> None:
        self._clock = clock
        self._burst = float(burst)
        self._per_hour = per_hour
        self._lock = threading.Lock()
        self._left: dict[str, tuple[float, float]] = {}

    def is_left(self, peer: str) -> bool:
        """Tell whether the next change would not be one too many."""
        with self._lock:
            return self._now(peer) >= 1.0

    def take(self, peer: str) -> bool:
        """Count one change, and tell whether it is not one too many; then it is not counted."""
        with self._lock:
            left = self._now(peer)
            if left < 1.0:
                return False
            self._left[peer] = (left - 1.0, self._clock.monotonic_s())
            return True

    def _now(self, peer: str) -> float:
        now_s = self._clock.monotonic_s()
        left, at_s = self._left.get(peer, (self._burst, now_s))
        left = min(self._burst, left + (now_s - at_s) * self._per_hour / _SECONDS_PER_HOUR)
        self._left[peer] = (left, now_s)
        return left

    def spend(self, peer: str) -> None:
        """Count one change. Raises NotAllowedError if there have been too many of late."""
        if not self.take(peer):
            raise NotAllowedError(
                f"{peer} changes its rolls too often: more than {self._per_hour} times an hour.",
                remedy=f"It may go on in a moment. If it repeats, see what {peer} does, and run the"
                " same version of syncd on both boxes.",
            )

    def forget(self, peer: str) -> None:
        """Know nothing of a peer that is trusted no longer."""
        with self._lock:
            self._left.pop(peer, None)
