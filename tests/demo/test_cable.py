"""The demo's cable against real sockets on loopback."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import suppress

import pytest

from syncd.demo.cable import Cable

CHUNK = b"x" * 65536


class Far:
    """A server on 127.0.0.1 that gives back what it gets."""

    def __init__(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self.listener.getsockname()[1]
        self.threads = [threading.Thread(target=self._serve, daemon=True)]
        self.threads[0].start()

    def _serve(self) -> None:
        while True:
            try:
                connection, _ = self.listener.accept()
            except OSError:
                return
            thread = threading.Thread(target=self._echo, args=(connection,), daemon=True)
            self.threads.append(thread)
            thread.start()

    def _echo(self, connection: socket.socket) -> None:
        with connection:
            try:
                while data := connection.recv(65536):
                    connection.sendall(data)
            except OSError:
                return

    def close(self) -> None:
        """Stop listening."""
        with suppress(OSError):  # closed before
            self.listener.shutdown(socket.SHUT_RDWR)
        self.listener.close()
        for thread in self.threads:
            thread.join(timeout=5)


@pytest.fixture
def far() -> Iterator[Far]:
    """Start a far end."""
    server = Far()
    yield server
    server.close()


@pytest.fixture
def cable(far: Far) -> Iterator[Cable]:
    """Plug in a cable to it, as fast as loopback."""
    try:
        plugged = Cable("127.0.0.2", "127.0.0.1", (far.port,), bytes_per_s=1e10)
    except OSError:
        pytest.skip("this machine has no 127.0.0.2")
    yield plugged
    plugged.close()


def dial(cable: Cable) -> socket.socket:
    """Connect to the near end."""
    return socket.create_connection((cable.near, cable.ports[0]), timeout=5)


def test_it_carries_bytes_both_ways_and_counts_them(cable: Cable) -> None:
    """What goes in comes back through the far end, to the last byte, and the end is passed on."""
    with dial(cable) as near:
        near.sendall(CHUNK)
        near.shutdown(socket.SHUT_WR)
        received = b""
        while data := near.recv(65536):
            received += data

    assert received == CHUNK
    assert cable.carried_bytes == len(CHUNK)


def test_a_cut_tears_connections_and_refuses_new_ones_until_joined(cable: Cable) -> None:
    """After cut() the old connection is dead and nobody answers; after join() it works again."""
    with dial(cable) as near:
        near.sendall(b"hello")
        assert near.recv(5) == b"hello"

        assert cable.cut() == 1

        assert _is_dead(near)
        with pytest.raises(ConnectionRefusedError):
            dial(cable)

    cable.join()
    with dial(cable) as near:
        near.sendall(b"again")
        assert near.recv(5) == b"again"


def test_a_cut_ends_a_connection_that_is_stuck_in_sending(cable: Cable) -> None:
    """A near end that never reads fills every buffer; the cut still ends all threads at once."""
    with dial(cable) as near:
        near.settimeout(0.3)
        with pytest.raises(TimeoutError):
            near.sendall(CHUNK * 1000)
        started_s = time.monotonic()

        cable.cut()

        assert time.monotonic() - started_s < 3
        assert not any(thread.name == "cable" for thread in threading.enumerate())


def test_it_is_as_slow_as_it_says(far: Far) -> None:
    """2 MB through a cable of 4 MB/s take half a second, not less."""
    try:
        slow = Cable("127.0.0.2", "127.0.0.1", (far.port,), bytes_per_s=4e6)
    except OSError:
        pytest.skip("this machine has no 127.0.0.2")
    started_s = time.monotonic()
    with dial(slow) as near:
        near.sendall(b"x" * 2_000_000)
        near.shutdown(socket.SHUT_WR)
        while near.recv(65536):
            pass
    took_s = time.monotonic() - started_s
    slow.close()

    assert 0.45 < took_s < 5


def test_a_far_end_that_is_down_refuses(cable: Cable, far: Far) -> None:
    """With the daemon behind it gone, a connection through the cable ends at once."""
    far.close()

    with dial(cable) as near:
        assert _is_dead(near)


def _is_dead(near: socket.socket) -> bool:
    try:
        return near.recv(1) == b""
    except ConnectionError:
        return True
