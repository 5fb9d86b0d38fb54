"""The real clock against the system's."""

import time

from syncd.edges.clock import RealClock


def test_the_clock_says_what_the_system_says() -> None:
    """Monotonic seconds for durations, UTC milliseconds for people."""
    clock = RealClock()
    assert abs(clock.monotonic_s() - time.monotonic()) < 1
    assert abs(clock.utc_ms() - time.time() * 1000) < 1000


async def test_sleep_takes_the_time_that_it_is_told() -> None:
    """And leaves the loop running."""
    clock = RealClock()
    began_s = clock.monotonic_s()
    await clock.sleep(0.02)
    assert clock.monotonic_s() - began_s >= 0.019
