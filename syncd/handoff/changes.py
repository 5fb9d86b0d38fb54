"""How often a peer may have the journal written, however it does so.

Owns: a budget for each peer, filled up steadily. What an honest day needs is far below it; a peer
that holds and releases, reorders or exchanges its rolls without end would fill the journal, and
push the notices that others wait for out of it. Must not: refuse anything itself. Thread-safe.
"""

import threading

from syncd.limits import CHANGES_BURST, CHANGES_PER_HOUR
from syncd.ports import Clock
from syncd.wire.authority import NotAllowedError

_SECONDS_PER_HOUR = 3600.0


class Changes:
    """The budgets of all peers, by name."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._left: dict[str, tuple[float, float]] = {}

    def spend(self, peer: str) -> None:
        """Count one change. Raises NotAllowedError if there have been too many of late."""
        now_s = self._clock.monotonic_s()
        with self._lock:
            left, at_s = self._left.get(peer, (float(CHANGES_BURST), now_s))
            left += (now_s - at_s) * CHANGES_PER_HOUR / _SECONDS_PER_HOUR
            left = min(float(CHANGES_BURST), left)
            is_spent = left < 1.0
            self._left[peer] = (left if is_spent else left - 1.0), now_s
        if is_spent:
            raise NotAllowedError(
                f"{peer} changes its rolls too often: more than {CHANGES_PER_HOUR} times an hour.",
                remedy=f"It may go on in a moment. If it repeats, see what {peer} does, and run the"
                " same version of syncd on both boxes.",
            )

    def forget(self, peer: str) -> None:
        """Know nothing of a peer that is trusted no longer."""
        with self._lock:
            self._left.pop(peer, None)
