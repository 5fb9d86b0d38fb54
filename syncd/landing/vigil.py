"""When a roll that is held for what lies on the landing is looked at again without a hint.

Owns: the backoff, begun anew when the reason is another one.
Must not: look, read a clock or the journal; what is held and the time are passed in.
"""

from dataclasses import dataclass

from syncd.limits import HELD_LOOK_S, RESCAN_S

# A walk of a large roll on a slow share is not repeated for more than a tenth of the time.
PAUSE_PER_WALK = 9.0


@dataclass(frozen=True, slots=True)
class Vigil:
    """One held roll. why: as its reasons read; due_s: monotonic time of the next look."""

    why: str
    due_s: float
    wait_s: float


def begun(before: Vigil | None, why: str | None, now_s: float) -> Vigil | None:
    """Return the vigil over a roll that is held for why (None: it is not held) at now_s."""
    if why is None:
        return None
    if before is not None and before.why == why:
        return before
    return Vigil(why, now_s + HELD_LOOK_S, HELD_LOOK_S)


def looked(before: Vigil, now_s: float, cost_s: float) -> Vigil:
    """Return the vigil after another look; the last walk of the roll took cost_s."""
    wait_s = min(2 * before.wait_s, RESCAN_S)
    return Vigil(before.why, now_s + max(wait_s, PAUSE_PER_WALK * cost_s), wait_s)
