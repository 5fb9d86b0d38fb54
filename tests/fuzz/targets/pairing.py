"""Pairing: what a stranger says to the side that shows a code, and to the side that types it.

The first byte chooses the side. The showing side's code is being tried by somebody else, so no
exchange costs the arithmetic of a curve; pairing-exchange tries what comes behind that.
"""

from syncd.wire.fields import BadMessage
from syncd.wire.pairing import (
    FRAME_BYTES_MAX,
    HEAD_BYTES,
    PAKE_BYTES,
    Introduction,
    PairingError,
    Party,
    Proof,
    Showing,
    Turn,
    Turned,
    Typing,
    Window,
    frame,
)
from tests.fuzz.target import Target

OWN = Party("process-1", "sha256:" + "1" * 64, ("processing",), 8840)
THEIRS = "sha256:" + "2" * 64
CODE = "482913"


def _zeros(count: int) -> bytes:
    return bytes(count)


BUSY = Window(CODE, 0.0)
BUSY.why_not_now(0.0)
TYPING = Typing(CODE, OWN, THEIRS, _zeros)
TYPING.begin()


def one(data: bytes) -> bool:
    """Try one input."""
    if not data:
        return False
    try:
        return _typed(data[1:]) if data[0] & 1 else _shown(data[1:])
    except (BadMessage, PairingError):
        return False


def _shown(data: bytes) -> bool:
    showing = Showing(BUSY, OWN, THEIRS, _zeros)
    said = None
    for start in range(0, len(data), 100):
        said = showing.receive(data[start : start + 100], 0.0)
        assert said is None or said[HEAD_BYTES:]
        assert start < HEAD_BYTES + FRAME_BYTES_MAX, "no more is read than one message has"
    assert showing.proved is None
    assert BUSY.tries_left == 3
    return said is not None


def _typed(data: bytes) -> bool:
    """Only what turns away: anything else goes on to the curve."""
    TYPING._frames._buffer.clear()
    if data[:1] == b"\0":
        return False
    return TYPING.receive(data) is not None


def seeds() -> list[bytes]:
    """Return valid examples."""
    introduction = Introduction(b"A" + bytes(PAKE_BYTES - 1), "offload-1", ("offload",), 8840)
    turned = [frame(Turned(why, 2)) for why in Turn]
    return [b"\0" + frame(introduction), b"\0" + frame(Proof(bytes(32)))] + [
        b"\1" + t for t in turned
    ]


TARGET = Target("pairing", one, seeds, prefix_bytes=1 + HEAD_BYTES, is_packed=True)
