"""Pairing: all a stranger may say to the side that shows a code, and to the one that types it.

The first byte chooses the side, and whether the code is being tried by somebody else; messages
follow one another. The arithmetic of the curve is left out: whatever has the form of a point leads
to one key. pairing-exchange tries the curve.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from spake2 import SPAKEError

from syncd.wire import pairing
from syncd.wire.fields import BadMessage
from syncd.wire.pairing import PairingError, Party, Showing, Typing
from syncd.wire.pairing_code import TRIES, Turn, Window
from syncd.wire.pairing_frames import (
    FRAME_BYTES_MAX,
    HEAD_BYTES,
    PAKE_BYTES,
    Introduction,
    Proof,
    Turned,
    frame,
)
from tests.fuzz.target import Target

OWN = Party("process-1", "sha256:" + "1" * 64, ("processing",), 8840)
THEIRS = "sha256:" + "2" * 64
CODE = "482913"
TYPES, IS_BUSY = 1, 2
INTRODUCED = Introduction(b"?" + bytes(PAKE_BYTES - 1), "offload-1", ("offload",), 8840)


class NoCurve:
    """SPAKE2 of which only the form of a message is left."""

    def __init__(self, *_: object, **__: object) -> None:
        pass

    def start(self) -> bytes:
        """Return our message."""
        return b"!" + bytes(PAKE_BYTES - 1)

    def finish(self, said: bytes) -> bytes:
        """Return a key, or refuse as the library does what is our own side's."""
        if said[:1] == b"!":
            raise SPAKEError
        return b"k" * 32


@contextmanager
def no_curve() -> Iterator[None]:
    """Leave the arithmetic out."""
    module: Any = pairing
    known = module.SPAKE2_A, module.SPAKE2_B
    module.SPAKE2_A = module.SPAKE2_B = NoCurve
    try:
        yield
    finally:
        module.SPAKE2_A, module.SPAKE2_B = known


def one(data: bytes) -> bool:
    """Try one input."""
    if not data:
        return False
    try:
        with no_curve():
            if data[0] & TYPES:
                return _typed(data[1:])
            return _shown(data[1:], is_busy=bool(data[0] & IS_BUSY))
    except (BadMessage, PairingError):
        return False


def _messages(data: bytes) -> Iterator[bytes]:
    """Cut where a message ends by its own word, as one waits for the other's answer."""
    while data:
        end = HEAD_BYTES + int.from_bytes(data[1:HEAD_BYTES], "big")
        yield data[:end]
        data = data[end:]


def _shown(data: bytes, *, is_busy: bool) -> bool:
    window = Window(CODE, 0.0)
    if is_busy:
        window.why_not_now(0.0)
    showing = Showing(window, OWN, THEIRS, bytes)
    said = None
    for message in _messages(data):
        for start in range(0, len(message), 100):
            assert start < HEAD_BYTES + FRAME_BYTES_MAX, "no more is read than one message has"
            said = showing.receive(message[start : start + 100], 0.0)
            assert said is None or said[HEAD_BYTES:]
        if showing.proved is not None:
            assert not is_busy
            assert PROOF_OF_TYPING in data, "somebody proved a code that it does not know"
            said = showing.accept()
    assert window.tries_left >= TRIES - 1
    return said is not None


def _typed(data: bytes) -> bool:
    typing = Typing(CODE, OWN, THEIRS, bytes)
    typing.begin()
    met = None
    for message in _messages(data):
        again = typing.receive(message)
        if again is not None and met is not None:
            assert PROOF_OF_SHOWING in data, "somebody proved a code that it does not know"
        elif again is not None:
            typing.prove()
            met = again
    return met is not None


def _proofs() -> tuple[bytes, bytes]:
    """Return what proves the code to the showing and to the typing side, after INTRODUCED."""
    with no_curve():
        showing = Showing(Window(CODE, 0.0), OWN, THEIRS, bytes)
        showing.receive(frame(INTRODUCED), 0.0)
        typing = Typing(CODE, OWN, THEIRS, bytes)
        typing.begin()
        typing.receive(frame(INTRODUCED))
    assert showing._keys is not None
    assert typing._keys is not None
    return (
        pairing._mac(showing._keys[0], pairing._TYPES, showing._agreed),
        pairing._mac(typing._keys[1], pairing._SHOWS, typing._agreed),
    )


PROOF_OF_TYPING, PROOF_OF_SHOWING = _proofs()


def seeds() -> list[bytes]:
    """Return valid examples."""
    first = frame(INTRODUCED)
    typed, shown = frame(Proof(PROOF_OF_TYPING)), frame(Proof(PROOF_OF_SHOWING))
    return [
        b"\0" + first + frame(Proof(bytes(32))),
        b"\0" + first + typed,
        b"\2" + first,
        b"\1" + first + shown,
        b"\1" + first + frame(Turned(Turn.WRONG_CODE, 2)),
        *(b"\1" + frame(Turned(why, 2)) for why in Turn),
    ]


TARGET = Target(
    "pairing",
    one,
    seeds,
    prefix_bytes=1 + HEAD_BYTES,
    is_packed=True,
    tokens=(frame(INTRODUCED), frame(Proof(PROOF_OF_TYPING)), frame(Proof(PROOF_OF_SHOWING))),
)
