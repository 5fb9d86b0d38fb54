"""Hints from the real system, by the real observer."""

import asyncio
import logging
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import pytest

from syncd.edges.clock import RealClock
from syncd.edges.disk import RealDisk
from syncd.landing import watch as watch_module
from syncd.landing.watch import Watch
from tests.landing.samples import DAY, TestClock, write_clips

SOON_S = 3.0


class Hints:
    """Takes hints from any thread, and lets a test wait for them."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self.paths: set[str] = set()
        self.looks = 0

    def touched(self, path: str) -> None:
        with self._changed:
            self.paths.add(path)
            self._changed.notify_all()

    def look_again(self) -> None:
        with self._changed:
            self.looks += 1
            self._changed.notify_all()

    def wait(self, is_there: Callable[["Hints"], bool]) -> bool:
        """Wait until the hints are what is_there asks for."""
        with self._changed:
            return self._changed.wait_for(lambda: is_there(self), SOON_S)

    async def come(self, is_there: Callable[["Hints"], bool]) -> None:
        """Wait beside the loop, and fail if the hints do not come."""
        assert await asyncio.to_thread(self.wait, is_there), (self.paths, self.looks)


@pytest.fixture(autouse=True)
def quick_checks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Supervise twenty times as often as in earnest."""
    monkeypatch.setattr(watch_module, "WATCH_CHECK_S", 0.05)


@asynccontextmanager
async def running(
    root: Path, watch_limit: Callable[[], int | None] | None = None
) -> AsyncIterator[tuple[Watch, Hints]]:
    """Run a watch on root until the block ends; wait until it is set up."""
    disk, hints = RealDisk(), Hints()
    watch = Watch(RealClock(), disk, watch_limit=watch_limit)
    watch.add(str(root), hints)
    task = asyncio.create_task(watch.run())
    try:
        await hints.come(lambda hints: hints.looks >= 1)
        yield watch, hints
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
        disk.close()


async def test_a_closed_file_is_hinted_at(tmp_path: Path) -> None:
    """Its path comes relative to the root, also in folders that were made after the start."""
    async with running(tmp_path) as (watch, hints):
        write_clips(tmp_path, "A012")

        await hints.come(lambda hints: f"{DAY}/A012/CLIPS/A012C002.mov" in hints.paths)
        assert watch.problems() == []


async def test_a_rename_into_place_is_hinted_at(tmp_path: Path) -> None:
    """Tools write under a temporary name; the final one never sees a close."""
    (tmp_path / "x.tmp").write_text("x")
    async with running(tmp_path) as (_, hints):
        (tmp_path / "x.tmp").rename(tmp_path / "x.mhl")

        await hints.come(lambda hints: "x.mhl" in hints.paths)


async def test_reading_a_roll_gives_no_hints(tmp_path: Path) -> None:
    """We read every clip ourselves: that must not look like a change."""
    roll = write_clips(tmp_path, "A012")
    async with running(tmp_path) as (_, hints):
        (roll / "CLIPS" / "A012C001.mov").read_bytes()
        (tmp_path / "after").write_text("x")

        await hints.come(lambda hints: "after" in hints.paths)
        assert hints.paths == {"after"}


async def test_a_taker_that_fails_stops_nothing(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """An exception in the observer's thread would silence every root."""
    async with running(tmp_path) as (_, hints):
        good = hints.touched

        def fail(path: str) -> None:
            raise RuntimeError(f"a mistake of ours at {path}")

        hints.touched = fail  # type: ignore[method-assign]
        (tmp_path / "first").write_text("x")
        (tmp_path / "second").mkdir()
        hints.touched = good  # type: ignore[method-assign]
        (tmp_path / "third").write_text("x")

        await hints.come(lambda hints: "third" in hints.paths)
    caplog.clear()


async def test_lost_events_make_everything_be_looked_at(tmp_path: Path) -> None:
    """The observer says only in its log that the kernel's queue ran over."""
    async with running(tmp_path) as (_, hints):
        before = hints.looks

        logging.getLogger("watchdog.observers.inotify_c").warning("Inotify queue overflowed")

        assert hints.looks == before + 1


async def test_a_dead_observer_is_started_again(tmp_path: Path) -> None:
    """With a full look, because what happened in between was not seen."""
    async with running(tmp_path) as (watch, hints):
        before = hints.looks
        assert watch._observer is not None
        watch._observer.stop()

        await hints.come(lambda hints: hints.looks > before)
        (tmp_path / "after").write_text("x")
        await hints.come(lambda hints: "after" in hints.paths)


async def test_a_dead_reader_is_noticed_too(tmp_path: Path) -> None:
    """One thread reads for all roots; without it the observer lives on, and is silent."""
    async with running(tmp_path) as (watch, hints):
        before = hints.looks
        watch._observer._inotify_fd.stop()  # type: ignore[union-attr]

        await hints.come(lambda hints: hints.looks > before)
        (tmp_path / "after").write_text("x")
        await hints.come(lambda hints: "after" in hints.paths)


async def test_a_root_that_goes_and_comes_back_is_watched_again(tmp_path: Path) -> None:
    """An unmount never reaches the observer; identity tells."""
    root = tmp_path / "landing"
    root.mkdir()
    async with running(root) as (_, hints):
        before = hints.looks
        root.rename(tmp_path / "elsewhere")
        await hints.come(lambda hints: hints.looks > before)
        before = hints.looks
        root.mkdir()
        await hints.come(lambda hints: hints.looks > before)

        (root / "after").write_text("x")
        await hints.come(lambda hints: "after" in hints.paths)


async def test_a_root_may_be_absent_at_the_start(tmp_path: Path) -> None:
    """A disk that is plugged in later is taken up by itself."""
    root = tmp_path / "landing"
    async with running(root) as (watch, hints):
        before = hints.looks
        root.mkdir()
        await hints.come(lambda hints: hints.looks > before)

        (root / "after").write_text("x")
        await hints.come(lambda hints: "after" in hints.paths)
        assert watch.problems() == []


async def test_more_folders_than_the_system_watches_are_polled(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """The observer would pass over what it cannot watch, in silence; the sysctl is named."""
    for number in range(10):
        (tmp_path / f"d{number}").mkdir()
    with caplog.at_level(logging.CRITICAL):
        async with running(tmp_path, watch_limit=lambda: 8) as (watch, _):
            (problem,) = watch.problems()

    assert "11 folders" in problem
    assert "sysctl fs.inotify.max_user_watches=22" in problem


async def test_a_file_system_without_events_is_polled(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Changes made by another host reach no observer here (inotify(7))."""
    monkeypatch.setattr("syncd.edges.disk.RealFolder.file_system", lambda _: "nfs4")
    monkeypatch.setattr(watch_module, "POLL_S", 0.05)
    async with running(tmp_path) as (watch, hints):
        await hints.come(lambda hints: hints.looks >= 4)

        (problem,) = watch.problems()
    assert "nfs4" in problem


def test_no_thread_is_left_when_it_was_never_run(tmp_path: Path) -> None:
    """Putting it together starts nothing."""
    watch = Watch(TestClock(), RealDisk())
    watch.add(str(tmp_path), Hints())

    assert watch.problems() == []
