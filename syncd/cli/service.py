"""What a daemon owes the system that runs it: readiness, signals, open files, log lines.

Owns: NOTIFY_SOCKET and WATCHDOG_USEC (sd_notify(3)), SIGTERM and SIGINT, RLIMIT_NOFILE, log lines.
Must not: know what the daemon does.
"""

import asyncio
import gc
import logging
import os
import signal
import socket
import sys
import threading
from contextlib import suppress

from syncd.edges.memory import end_at_log_line
from syncd.roll.names import printable

END_S_MAX = 4.8  # after a first signal; a clean end within 5 s is promised
STATUS_EVERY_S = 10.0
OPEN_FILES_WANTED = 65_536
GARBAGE_OBJECTS = 50_000
SAID_AGAIN_S = 60.0
SAID_MAX = 1000  # different complaints of libraries that are kept in mind

log = logging.getLogger(__name__)


def notify(state: str) -> None:
    """Tell systemd, if it started us; it is told, not asked, so nothing can fail here."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as connection:
        connection.sendto(state.encode(), address)


def say_alive_every_s() -> float:
    """Return how often to say that we live: a third of what systemd asks for; else for STATUS."""
    try:
        asked_us = int(os.environ.get("WATCHDOG_USEC", "0"))
        is_ours = int(os.environ.get("WATCHDOG_PID", os.getpid())) == os.getpid()
    except ValueError:
        return STATUS_EVERY_S
    if asked_us <= 0 or not is_ours:
        return STATUS_EVERY_S
    return min(STATUS_EVERY_S, asked_us / 1_000_000 / 3)


def end_on_signals(stop: asyncio.Event) -> None:
    """Set stop at the first SIGTERM or SIGINT; leave at once at the second, or after END_S_MAX."""
    loop = asyncio.get_running_loop()

    def ended(name: str) -> None:
        if stop.is_set():
            log.warning("%s again: leaving at once; the next start recovers", name)
            os._exit(1)
        log.info("%s: ending", name)
        notify("STOPPING=1")
        stop.set()
        late = threading.Timer(END_S_MAX, _leave)
        late.daemon = True
        late.start()

    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, ended, number.name)


def _leave() -> None:
    # A thread that hangs in a dead disk cannot be ended; the journal is made for this.
    log.error("not ended after %s s: leaving; the next start recovers", END_S_MAX)
    os._exit(1)


def raise_open_files() -> None:
    """Allow as many open files as the system lets us: small files, watches and streams add up."""
    try:
        import resource  # noqa: PLC0415 - there is none on Windows
    except ImportError:
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = OPEN_FILES_WANTED
    if hard != resource.RLIM_INFINITY:
        wanted = min(wanted, hard)
    if soft != resource.RLIM_INFINITY and soft < wanted:
        with suppress(OSError, ValueError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, hard))


def pace_interpreter() -> None:
    """Look for cyclic garbage less often.

    A roll of many small files makes hundreds of thousands of objects that live long and hang in
    no cycle; looking through them at the default pace took a tenth of the work's time.
    """
    gc.set_threshold(GARBAGE_OBJECTS, 20, 50)


class _NotEachTime(logging.Filter):
    """Lets a library's complaint pass once a minute: asyncio makes hundreds a second of one."""

    def __init__(self) -> None:
        super().__init__()
        self._said_s: dict[str, float] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Tell whether the record may pass;.

        A listener without a descriptor for the next connection tries for all that wait.
        """
        if record.name.partition(".")[0] == "syncd":
            return True
        message = record.getMessage().partition("\n")[0]
        if record.created - self._said_s.get(message, 0.0) < SAID_AGAIN_S:
            return False
        if len(self._said_s) < SAID_MAX:
            self._said_s[message] = record.created
        return True


class _OneLine(logging.Formatter):
    """Keeps a file's name from writing to the terminal, and a traceback readable."""

    def format(self, record: logging.LogRecord) -> str:
        text = super().format(record)
        return "\n".join(printable(line) for line in text.split("\n"))


def log_to_stderr(*, verbose: bool) -> None:
    """Send log lines to stderr; systemd's journal adds the time itself."""
    handler = logging.StreamHandler(sys.stderr)
    time = "" if "JOURNAL_STREAM" in os.environ else "%(asctime)s "
    handler.setFormatter(_OneLine(f"{time}%(levelname)s %(name)s: %(message)s"))
    handler.addFilter(end_at_log_line)
    handler.addFilter(_NotEachTime())
    root = logging.getLogger()
    root.addHandler(handler)
    root.setLevel(logging.WARNING)
    logging.getLogger("syncd").setLevel(logging.DEBUG if verbose else logging.INFO)
