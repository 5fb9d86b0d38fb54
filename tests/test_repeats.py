"""The same trouble over and over is said a few times, and so is its end."""

import logging

import pytest

from syncd.repeats import KEYS_MAX, TEXTS_MAX, Repeats


class Clock:
    """A time that is set by hand."""

    def __init__(self) -> None:
        self.now_s = 0.0

    def monotonic_s(self) -> float:
        return self.now_s

    def utc_ms(self) -> int:
        return 0

    async def sleep(self, seconds: float) -> None:
        self.now_s += seconds


LOG = logging.getLogger("tests.repeats")


@pytest.fixture
def clock() -> Clock:
    """Give a clock."""
    return Clock()


@pytest.fixture
def repeats(clock: Clock, caplog: pytest.LogCaptureFixture) -> Repeats:
    """Give a memory of what was said, with the log open."""
    caplog.set_level(logging.INFO, LOG.name)
    return Repeats(LOG, clock)


def test_a_day_of_tries_is_a_handful_of_lines(
    repeats: Repeats, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    """Once when it begins, then after a minute, five, twenty-one, and every hour from then on."""
    at_s = []
    while clock.now_s < 24 * 3600:
        if repeats.trouble("process-1", "process-1 does not answer."):
            at_s.append(clock.now_s)
        clock.now_s += 2
    assert at_s[:4] == [0, 60, 300, 1260]
    assert len(at_s) <= 4 + 24
    assert len(caplog.messages) == len(at_s)
    assert caplog.messages[1] == "process-1 does not answer. (for 60 s, 31 tries)"


def test_the_end_says_how_long_it_took_and_is_said_once(
    repeats: Repeats, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    """And an end without a trouble is not worth a word."""
    assert not repeats.well("process-1", "process-1 answers again")
    for _ in range(41):
        repeats.trouble("process-1", "It does not answer.")
        clock.now_s += 180 / 41
    assert repeats.well("process-1", "process-1 answers again")
    assert not repeats.well("process-1", "process-1 answers again")
    assert caplog.messages[-1] == "process-1 answers again (after 3 min, 41 tries)"


def test_a_trouble_that_changes_is_said_anew_but_not_for_ever(
    repeats: Repeats, clock: Clock, caplog: pytest.LogCaptureFixture
) -> None:
    """Two wordings that alternate are two lines; one that is never the same is bounded, too."""
    for n in range(20):
        repeats.trouble("a", f"No answer, in wording {n % 2}.")
    assert len(caplog.messages) == 2
    for n in range(100):
        repeats.trouble("b", f"No answer from port {n}.")
    assert len(caplog.messages) == 2 + TEXTS_MAX
    assert clock.now_s == 0


def test_what_strangers_send_fills_no_memory(repeats: Repeats, clock: Clock) -> None:
    """Of more keys than are kept, the one that was silent for longest is forgotten."""
    for n in range(KEYS_MAX + 10):
        clock.now_s += 1
        assert repeats.trouble(f"name-{n}", "It says nothing.")
    assert not repeats.trouble(f"name-{KEYS_MAX + 9}", "It says nothing.")
    assert repeats.trouble("name-0", "It says nothing."), "forgotten, so it is new"
    assert len(repeats._troubles) == KEYS_MAX
