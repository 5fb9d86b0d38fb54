"""Time from the system."""

import asyncio
import time

from syncd.limits import TICK_S


class RealClock:
    """Implements ports.Clock. sleep() needs a running loop: lanes wait on their link instead."""

    def monotonic_s(self) -> float:
        return time.monotonic()

    def utc_ms(self) -> int:
        return time.time_ns() // 1_000_000

    async def sleep(self, seconds: float) -> None:
        """Sleep for so long; for a whole number of ticks, half of one more or less."""
        await asyncio.sleep(to_a_tick(seconds, time.monotonic()))


def to_a_tick(seconds: float, now_s: float) -> float:
    """Return how long to sleep: a whole number of ticks ends together with one.

    So all parts that look again and again wake the process at the same moments, and not each at its
    own; an idle one is woken a third as often.
    """
    if seconds < TICK_S or seconds % TICK_S:
        return seconds
    past_s = now_s % TICK_S
    return seconds - past_s if past_s < TICK_S / 2 else seconds + TICK_S - past_s
