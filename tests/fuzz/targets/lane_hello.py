"""The first frame of a connection, either way: a stranger sends it before any key is known."""

from collections.abc import Callable, Coroutine
from typing import Any

from syncd.errors import LinkLostError, PeerRefusedError
from syncd.limits import HELLO_BYTES_MAX
from syncd.wire.frames import LENGTH_BYTES, frame_bytes
from syncd.wire.greeting import read_hello, read_nonce
from syncd.wire.lane_events import LaneNonce, encode
from tests.fuzz.target import Target
from tests.wire.test_frames import HELLO


class StillClock:
    """No time passes: how long a greeting may take is tried elsewhere."""

    def monotonic_s(self) -> float:
        return 0.0


class BytesLink:
    """Everything has arrived already, and then the connection ends."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.taken = 0

    async def receive_into(self, view: memoryview, timeout_s: float) -> int:
        del timeout_s
        assert len(view) <= HELLO_BYTES_MAX, "a length is checked before it is made room for"
        part = self.data[self.taken : self.taken + len(view)]
        if not part:
            raise LinkLostError("It ended.", remedy="")
        view[: len(part)] = part
        self.taken += len(part)
        return len(part)


def one(data: bytes) -> bool:
    """Try one input, as either end reads it."""
    return any([_is_read(read, data) for read in (read_hello, read_nonce)])  # noqa: C419 - both


def _is_read(read: Callable[[Any, Any], Coroutine[Any, Any, object]], data: bytes) -> bool:
    link = BytesLink(data)
    reading = read(link, StillClock())
    try:
        reading.send(None)
    except (LinkLostError, PeerRefusedError):
        return False
    except StopIteration:
        assert link.taken == LENGTH_BYTES + int.from_bytes(data[:LENGTH_BYTES], "big")
        return True
    raise AssertionError("it waits for something")


def seeds() -> list[bytes]:
    """Return valid examples."""
    return [frame_bytes(encode(event)) for event in (HELLO, LaneNonce(nonce=b"n" * 16))]


TARGET = Target("lane-hello", one, seeds, prefix_bytes=LENGTH_BYTES, is_packed=True)
