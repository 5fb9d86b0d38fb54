"""Pairing with the arithmetic of the curve: whatever point and proof a stranger sends.

The first byte chooses the side; then come a message of SPAKE2 and a proof. Each input costs
milliseconds, all of them the curve's; pairing has everything else that a stranger may say.
"""

from copy import copy

import msgpack

from syncd.wire.fields import BadMessage
from syncd.wire.pairing import PairingError, Showing, Typing
from syncd.wire.pairing_code import Window
from syncd.wire.pairing_frames import HEAD_BYTES, PAKE_BYTES, Frames, Introduction, Proof, frame
from tests.fuzz.target import Target
from tests.fuzz.targets.pairing import CODE, OWN, THEIRS


def _ones(count: int) -> bytes:
    return b"\1" * count


TYPING = Typing(CODE, OWN, THEIRS, _ones)
TYPING.begin()


def _begun() -> Typing:
    """Return the typing side as it is after its first message, which is always the same."""
    typing = copy(TYPING)
    typing._pake, typing._frames = copy(TYPING._pake), Frames()
    return typing


def one(data: bytes) -> bool:
    """Try one input."""
    point = data[1 : 1 + PAKE_BYTES].ljust(PAKE_BYTES, b"\0")
    proof = frame(Proof(data[1 + PAKE_BYTES :][:32].ljust(32, b"\0")))
    introduction = frame(Introduction(point, "offload-1", ("offload",), 8840))
    try:
        if data[:1] == b"\1":
            typing = _begun()
            typing.receive(introduction)
            typing.prove()
            typing.receive(proof)
            raise AssertionError("somebody proved a code that it does not know")
        window = Window(CODE, 0.0)
        showing = Showing(window, OWN, THEIRS, _ones)
        assert showing.receive(introduction, 0.0)
        assert showing.receive(proof, 0.0)
    except (BadMessage, PairingError):
        return False
    assert showing.proved is None
    assert window.tries_left == 2
    return True


def seeds() -> list[bytes]:
    """Return valid examples."""
    window = Window(CODE, 0.0)
    typing, showing = Typing(CODE, OWN, THEIRS, _ones), Showing(window, OWN, THEIRS, _ones)
    first = typing.begin()
    answer = showing.receive(first, 0.0)
    assert answer is not None
    points = [msgpack.unpackb(said[HEAD_BYTES:])["pake"] for said in (first, answer)]
    return [bytes([side]) + point + bytes(32) for side, point in enumerate(points)]


TARGET = Target("pairing-exchange", one, seeds, prefix_bytes=1, bytes_max=1 + PAKE_BYTES + 32)
