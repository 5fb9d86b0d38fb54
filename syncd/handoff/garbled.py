"""Lanes of a peer that ended because nobody could read what came: a few happen, many do not.

Owns: the counting. One flipped bit on the way ends a lane as well, and whoever sits in between can
have that, so only many within a short time are told as the fault of somebody. Must not: read a
clock, or tell anything. Safe from any thread.
"""

import threading
from collections import deque

from syncd.errors import UnfitError

GARBLED_MAX = 8
WITHIN_S = 60.0


class GarbledLanes:
    """Counts by the names of peers, of which there are as many as a person has paired."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._ended_s: dict[str, deque[float]] = {}

    def note(self, peer: str, now_s: float) -> UnfitError | None:
        """Count one; return what to write down if they are too many."""
        with self._lock:
            times = self._ended_s.setdefault(peer, deque(maxlen=GARBLED_MAX))
            times.append(now_s)
            if len(times) < GARBLED_MAX or times[0] < now_s - WITHIN_S:
                return None
        return UnfitError(
            f"{peer} opens lanes on which nothing can be read: what comes was damaged or changed "
            "on its way, or is no lane's.",
            remedy="Check cable, network cards and switch between the two boxes; if they are well, "
            f"find out what runs on {peer}. Until then: syncd peers forget {peer}",
        )
