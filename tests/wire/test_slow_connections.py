"""Thousands of connections that say little or nothing, held open on both ports of a real daemon.

They come from this very host, as the honest box does: that is the worst case.
"""

import resource
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from syncd.limits import UNPROVED_MAX
from tests.boxes import Box, Pair, place_roll
from tests.test_node import stage_roll

# A descriptor each that is not proved, on both ports; and some that lanes and calls have meanwhile.
DESCRIPTORS_MORE_MAX = 2 * UNPROVED_MAX + 64
SOON_FULL_S = 20.0  # for each thousand
MEMORY_MORE_BYTES_MAX = 160 << 20
SAID_FIRST = (
    b"",
    b"\0",
    b"\x16\x03\x01",
    b"\0\0\0\x50",
)  # nothing, half a length, half a TLS hello


class Slow:
    """Holds count connections open to port, and opens those again that were cut."""

    def __init__(self, port: int, count: int) -> None:
        self.opened = 0
        self._port = port
        self._count = count
        self._held: list[socket.socket] = []
        self._ends = threading.Event()
        self._is_full = threading.Event()
        self._thread = threading.Thread(target=self._hold, name=f"slow-{port}")

    @contextmanager
    def holding(self) -> Iterator[None]:
        """Hold them once all were opened."""
        self._thread.start()
        try:
            # As many as the port lets in.
            self._is_full.wait(SOON_FULL_S * max(1, self._count / 1_000))
            yield
        finally:
            self._ends.set()
            self._thread.join()
            for each in self._held:
                each.close()

    def _hold(self) -> None:
        while not self._ends.is_set():
            if len(self._held) < self._count:
                with suppress(OSError):
                    self._open()
                continue
            self._is_full.set()
            self._held = [each for each in self._held if _is_open(each)]
            self._ends.wait(0.1)

    def _open(self) -> None:
        connected = socket.create_connection(("127.0.0.1", self._port), timeout=5)
        connected.setblocking(False)
        self._held.append(connected)
        self.opened += 1
        with suppress(OSError):
            connected.send(SAID_FIRST[self.opened % len(SAID_FIRST)])


def _is_open(connected: socket.socket) -> bool:
    try:
        is_over = connected.recv(4096) == b""
    except BlockingIOError:
        return True
    except OSError:
        is_over = True
    if is_over:
        connected.close()
    return not is_over


class Gauge:
    """The most descriptors that a daemon had, looked at now and then."""

    def __init__(self, box: Box) -> None:
        assert box.process is not None
        self._folder = Path(f"/proc/{box.process.pid}/fd")
        self._ends = threading.Event()
        self._thread = threading.Thread(target=self._look, name="gauge")
        self.first = self.most = self._count()

    @contextmanager
    def looking(self) -> Iterator["Gauge"]:
        """Look until left."""
        self._thread.start()
        try:
            yield self
        finally:
            self._ends.set()
            self._thread.join()

    def _count(self) -> int:
        return len(list(self._folder.iterdir()))

    def _look(self) -> None:
        while not self._ends.wait(0.05):
            self.most = max(self.most, self._count())


@pytest.fixture
def many_descriptors() -> Iterator[int]:
    """Let this process open as many files as it may; gives the number."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    yield hard
    resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


@pytest.mark.skipif(not Path("/proc/self/fd").is_dir(), reason="descriptors are counted in /proc")
@pytest.mark.parametrize("count", [1_000, pytest.param(10_000, marks=pytest.mark.long)])
def test_slow_connections_keep_nobody_out_and_cost_little(
    count: int, tmp_path: Path, many_descriptors: int
) -> None:
    """Half of them on each port: a box starts, opens its lanes, and hands a roll over meanwhile."""
    if count > many_descriptors - 500:
        pytest.skip(f"only {many_descriptors} descriptors may be open: raise the hard limit")
    pair = Pair(tmp_path)
    pair.configure()
    roll = stage_roll(tmp_path / "A012")
    pair.processing.start()
    before_bytes = pair.processing.resident_bytes_max()
    slow = [Slow(port, count // 2) for port in (pair.processing.control, pair.processing.bulk)]
    with pair_ends(pair), Gauge(pair.processing).looking() as gauge:
        with slow[0].holding(), slow[1].holding():
            began_s = time.monotonic()
            pair.offload.start()
            place_roll(roll, pair.landing, "A012")
            pair.wait_ready("A012", timeout_s=60)
            took_s = time.monotonic() - began_s
        more_bytes = pair.processing.resident_bytes_max() - before_bytes
    print(  # noqa: T201 - shown by -s: what DEVELOPERS.md has of it
        f"{count} held, {sum(each.opened for each in slow)} opened; ready after {took_s:.1f} s; "
        f"{gauge.most - gauge.first} descriptors and {more_bytes >> 20} MiB more at most"
    )
    assert sum(each.opened for each in slow) >= count
    assert gauge.most - gauge.first <= DESCRIPTORS_MORE_MAX
    assert more_bytes <= MEMORY_MORE_BYTES_MAX
    log = (pair.processing.folder / "log").read_text()
    assert "Traceback" not in log
    assert log.count("\n") < 100, "strangers do not fill the log"


@contextmanager
def pair_ends(pair: Pair) -> Iterator[None]:
    """Stop both daemons at the end."""
    try:
        yield
    finally:
        pair.__exit__()
