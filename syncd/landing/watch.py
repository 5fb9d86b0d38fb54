"""Hints that something below a landing changed, from the system where it gives any.

Owns: the one observer for all roots, its supervision, and polling in its place. An edge: it starts
threads and looks at the system's limits.
Must not: decide anything. Events get lost, come twice and come early; a hint only says "look".
"""

import contextlib
import errno
import logging
import os
import threading
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from watchdog.events import (
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

from syncd.landing.file_systems import is_silent
from syncd.limits import COUNT_FOLDERS_S, POLL_S, WATCH_CHECK_S
from syncd.ports import Clock, Disk

log = logging.getLogger(__name__)

# A folder made while its parent is being listed is met twice; the observer warns and goes on. Where
# warnings are made errors, that warning would end its reading thread.
warnings.filterwarnings("ignore", "Callback with id", RuntimeWarning)

WATCH_LIMIT_FILE = Path("/proc/sys/fs/inotify/max_user_watches")
# Other programs of the same user take from the same limit; this share of it is theirs.
WATCH_LIMIT_SHARE = 0.9
OBSERVER_LOG = "watchdog.observers"
JOIN_S = 2.0
# Opening and closing for reading is what we do ourselves; a growing file is seen when it is closed.
EVENTS: list[type[FileSystemEvent]] = [
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileMovedEvent,
]


class Hinted(Protocol):
    """Who takes the hints; both may be called from any thread and must be quick."""

    def touched(self, path: str) -> None:
        """Something changed at path, relative to the root."""

    def look_again(self) -> None:
        """Anything may have changed."""


@dataclass
class _Root:
    """One watched root and how it is watched now.

    identity: device and inode when the observer was set on it; None: not watched by events.
    polled_why: why it is polled, for people; "" while events are trusted.
    """

    path: str
    hinted: Hinted
    identity: tuple[int, int] | None = None
    polled_why: str = ""
    folder_count: int = 0
    next_poll_s: float = 0.0


class Watch:
    """Watches any number of roots until run() is cancelled; then no thread of it is left.

    A dead observer and a root that came back are taken up within WATCH_CHECK_S, with a full look.
    """

    def __init__(
        self, clock: Clock, disk: Disk, *, watch_limit: Callable[[], int | None] | None = None
    ) -> None:
        self._clock = clock
        self._disk = disk
        self._watch_limit = watch_limit or read_watch_limit
        self._roots: list[_Root] = []
        self._observer: BaseObserver | None = None
        self._overflow = _OverflowListener(self._look_everywhere)
        self._next_count_s = 0.0
        self._is_polling_all = False

    def add(self, path: str, hinted: Hinted) -> None:
        """Watch path, an absolute folder that may be absent now. Call before run()."""
        self._roots.append(_Root(path, hinted))

    def problems(self) -> list[str]:
        """Return what people should know: for each root without events, why, and what to do."""
        return [root.polled_why for root in self._roots if root.polled_why]

    async def run(self) -> None:
        """Give hints until cancelled."""
        logger = logging.getLogger(OBSERVER_LOG)
        logger.addHandler(self._overflow)
        try:
            while True:
                await self._disk.aside(self.check)
                self._poll()
                await self._clock.sleep(WATCH_CHECK_S)
        finally:
            logger.removeHandler(self._overflow)
            # Cancelled: nothing may be awaited here, and the threads end at once.
            self._stop()

    def check(self) -> None:
        """Set the observer up, or up again, if it or a root is not what it was. Blocks."""
        found = {root.path: _identity(root.path) for root in self._roots}
        lost = [root for root in self._roots if root.identity not in (None, found[root.path])]
        new = [r for r in self._roots if r.identity is None and found[r.path] and not r.polled_why]
        if lost or new or not self._is_alive():
            self._start_over(found)
        elif self._clock.monotonic_s() >= self._next_count_s:
            self._count_folders()

    def _is_alive(self) -> bool:
        if self._observer is None:
            return self._is_polling_all
        threads: list[threading.Thread] = [self._observer, *self._observer.emitters]
        # On Linux one more thread reads for all emitters; when it dies, they stay alive and silent.
        reader = getattr(self._observer, "_inotify_fd", None)
        if isinstance(reader, threading.Thread):
            threads.append(reader)
        return all(thread.is_alive() for thread in threads)

    def _start_over(self, found: dict[str, tuple[int, int] | None]) -> None:
        self._stop()
        for root in self._roots:
            root.identity, root.polled_why = None, ""
        self._count_folders()
        if not self._is_polling_all:
            self._observe(found)
        self._look_everywhere()

    def _observe(self, found: dict[str, tuple[int, int] | None]) -> None:
        try:
            observer = Observer()
        except OSError as error:  # no inotify instance is left for this user
            self._poll_all({root.path: _cannot_watch(root, error) for root in self._roots})
            return
        observer.start()
        self._observer = observer
        for root in self._roots:
            self._set_on(observer, root, found[root.path])

    def _set_on(
        self, observer: BaseObserver, root: _Root, identity: tuple[int, int] | None
    ) -> None:
        if identity is None:
            return
        file_system = self._file_system(root.path)
        if is_silent(file_system):
            root.polled_why = _no_events(root.path, file_system)
            return
        try:
            observer.schedule(
                _Handler(root.path, root.hinted), root.path, recursive=True, event_filter=EVENTS
            )
        except FileNotFoundError:
            return  # gone since we looked; the next check finds it again
        except OSError as error:
            root.polled_why = _cannot_watch(root, error)
            log.warning("%s", root.polled_why)
        else:
            root.identity = identity

    def _file_system(self, path: str) -> str:
        try:
            folder = self._disk.open_folder(path)
        except OSError:
            return ""
        try:
            return folder.file_system()
        finally:
            folder.close()

    def _count_folders(self) -> None:
        """Poll all roots if there are more folders than the system watches: it would be silent."""
        self._next_count_s = self._clock.monotonic_s() + COUNT_FOLDERS_S
        limit = self._watch_limit()
        if limit is None:
            return
        for root in self._roots:
            root.folder_count = _count_folders(root.path)
        total = sum(root.folder_count for root in self._roots)
        if total < limit * WATCH_LIMIT_SHARE:
            return
        self._poll_all({root.path: _too_many(root.path, total, limit) for root in self._roots})
        self._stop()

    def _poll_all(self, why: dict[str, str]) -> None:
        if not self._is_polling_all:
            log.warning("%s", " ".join(why.values()))
        self._is_polling_all = True
        for root in self._roots:
            root.polled_why, root.identity = why[root.path], None

    def _poll(self) -> None:
        now_s = self._clock.monotonic_s()
        for root in self._roots:
            if root.polled_why and now_s >= root.next_poll_s:
                root.next_poll_s = now_s + POLL_S
                root.hinted.look_again()

    def _look_everywhere(self) -> None:
        for root in self._roots:
            root.hinted.look_again()

    def _stop(self) -> None:
        observer, self._observer = self._observer, None
        if observer is None:
            return
        observer.stop()
        # An observer that never came to run cannot be joined.
        with contextlib.suppress(RuntimeError):
            observer.join(JOIN_S)


class _Handler(FileSystemEventHandler):
    """Passes paths on. An exception here would end the thread that serves every root."""

    def __init__(self, root: str, hinted: Hinted) -> None:
        self._prefix = root.rstrip("/") + "/"
        self._hinted = hinted

    def on_any_event(self, event: FileSystemEvent) -> None:
        try:
            for path in (event.src_path, event.dest_path):
                text = os.fsdecode(path)
                if text.startswith(self._prefix):
                    self._hinted.touched(text[len(self._prefix) :])
        except Exception:
            log.exception("a hint was lost; the next full look makes up for it")


class _OverflowListener(logging.Handler):
    """The observer says only in its log that events were lost."""

    def __init__(self, lost: Callable[[], None]) -> None:
        super().__init__(logging.WARNING)
        self._lost = lost

    def emit(self, record: logging.LogRecord) -> None:
        log.info("looking at everything again: %s", record.getMessage())
        self._lost()


def read_watch_limit() -> int | None:
    """How many folders one user may watch; None where there is no such limit."""
    try:
        return int(WATCH_LIMIT_FILE.read_text())
    except (OSError, ValueError):
        return None


def _identity(path: str) -> tuple[int, int] | None:
    try:
        status = os.stat(path)
    except OSError:
        return None
    return status.st_dev, status.st_ino


def _count_folders(path: str) -> int:
    # os.walk leaves out what it cannot list, and follows no links: right for an estimate.
    return sum(1 for _ in os.walk(path))


def _no_events(path: str, file_system: str) -> str:
    return (
        f"{path} is on {file_system}, which tells nothing of changes made by other hosts. "
        f"It is looked at every {POLL_S:.0f} s instead; nothing needs to be done."
    )


def _too_many(path: str, total: int, limit: int) -> str:
    wanted = max(2 * total, 2 * limit)
    return (
        f"The landings have {total} folders, and this system watches {limit} "
        f"(fs.inotify.max_user_watches). {path} is looked at every {POLL_S:.0f} s instead. "
        f"Run: sysctl fs.inotify.max_user_watches={wanted}, then restart syncd."
    )


def _cannot_watch(root: _Root, error: OSError) -> str:
    if error.errno == errno.ENOSPC:  # the watch limit, not a full disk
        remedy = f"Run: sysctl fs.inotify.max_user_watches={max(524288, 2 * root.folder_count)}"
    elif error.errno == errno.EMFILE:
        remedy = "Run: sysctl fs.inotify.max_user_instances=512"
    else:
        remedy = "See that the folder can be read"
    return (
        f"{root.path} cannot be watched: {error.strerror}. It is looked at every {POLL_S:.0f} s "
        f"instead. {remedy}, then restart syncd."
    )
