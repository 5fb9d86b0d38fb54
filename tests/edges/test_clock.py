"""The real clock against the system's."""

import time

import pytest

from syncd.edges.clock import RealClock, to_a_tick
from syncd.limits import TICK_S


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


@pytest.mark.parametrize("ticks", [1, 2, 4, 120])
@pytest.mark.parametrize("past_s", [0.0, 0.001, 0.2, 0.3, 0.499])
def test_whoever_looks_again_and_again_wakes_together_with_all_others(
    ticks: int, past_s: float
) -> None:
    """Each sleep ends with a tick, and is half a tick longer or shorter at most."""
    wanted_s, now_s = ticks * TICK_S, 86_400 + past_s
    slept_s = to_a_tick(wanted_s, now_s)
    assert abs(slept_s - wanted_s) <= TICK_S / 2
    assert (now_s + slept_s) % TICK_S == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("seconds", [0.0, 0.01, TICK_S - 0.1, TICK_S + 0.1, 1.2345])
def test_any_other_sleep_lasts_as_long_as_it_is_told(seconds: float) -> None:
    """Whoever draws how long to wait does so in order not to come with all others."""
    assert to_a_tick(seconds, 86_400.2) == seconds
