"""Two nodes' identities, a real clock, and a check that nothing is left running."""

import asyncio
import threading
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path

import pytest

from syncd.wire.identity import Identity

DAY_MS = 86_400_000


class WallClock:
    """The system's clock."""

    def monotonic_s(self) -> float:
        return time.monotonic()

    def utc_ms(self) -> int:
        return time.time_ns() // 1_000_000

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


@pytest.fixture
def clock() -> WallClock:
    """Return the real clock: sockets and certificates are real here, too."""
    return WallClock()


@pytest.fixture
def make_identity(tmp_path: Path, clock: WallClock) -> Callable[..., Identity]:
    """Return a maker of nodes: by name, and by how many days ago the node was set up."""

    def make(name: str, *, days_old: int = 0) -> Identity:
        made_utc_ms = clock.utc_ms() - days_old * DAY_MS
        return Identity.load_or_make(tmp_path / name, name, made_utc_ms)

    return make


@pytest.fixture
async def nothing_left() -> AsyncIterator[None]:
    """Fail a test that leaves a task or a thread behind."""
    tasks_before = asyncio.all_tasks()
    threads_before = set(threading.enumerate())
    yield
    await asyncio.sleep(0)
    new = asyncio.all_tasks() - tasks_before - {asyncio.current_task()}
    left = [task.get_name() for task in new]
    assert not left, f"tasks left behind: {left}"
    threads = {t for t in set(threading.enumerate()) - threads_before if "asyncio" not in t.name}
    assert not threads, f"threads left behind: {threads}"
