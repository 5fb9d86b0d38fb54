"""What every test may use: a journal in memory; and no test leaves a thread behind."""

import gc
import signal
import threading
import time
from collections.abc import Iterator

import pytest

from syncd.journal.journal import Journal

THREAD_GRACE_S = 2.0


def pytest_configure() -> None:
    """Let what tests start hear Ctrl-C, which the background jobs of a shell ignore."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture
def journal() -> Iterator[Journal]:
    """Give a journal in memory, closed afterwards."""
    with Journal(None, journal_id="test") as opened:
        yield opened


@pytest.fixture
def no_collection() -> Iterator[None]:
    """Leave reference cycles alone: a daemon looks for old ones very seldom."""
    gc.collect()
    gc.disable()
    yield
    gc.enable()


@pytest.fixture(autouse=True)
def no_thread_stays() -> Iterator[None]:
    """Fail a test that leaves a thread behind which would keep the program from ending.

    Threads of a pool that asyncio shuts down with its loop get a moment to end.
    """
    before = set(threading.enumerate())
    yield
    left = _left_since(before)
    deadline_s = time.monotonic() + THREAD_GRACE_S
    while left and time.monotonic() < deadline_s:
        for thread in left:
            thread.join(0.05)
        left = _left_since(before)
    assert not left, f"threads left behind: {[thread.name for thread in left]}"


def _left_since(before: set[threading.Thread]) -> list[threading.Thread]:
    return [
        thread
        for thread in threading.enumerate()
        if thread not in before and thread.is_alive() and not thread.daemon
    ]
