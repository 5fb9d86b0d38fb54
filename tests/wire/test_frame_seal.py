"""The seal of a frame: hidden, and good for one length, one place and one direction's key."""

import pytest
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from syncd.wire.frame_seal import FrameOpener, FrameSealer
from syncd.wire.keys import TAG_BYTES
from syncd.wire.seal import SealBrokenError

KEY = bytes(range(16))
FRAMES = [b"first", b"second", b"first"]


def prefix(frame: bytes) -> bytes:
    """Return the length that goes before a frame."""
    return len(frame).to_bytes(4, "big")


def sealed(key: bytes = KEY) -> list[bytes]:
    """Seal the frames in their order."""
    sealer = FrameSealer(key)
    return [sealer.seal(prefix(frame), frame) for frame in FRAMES]


def test_frames_are_opened_in_the_order_in_which_they_were_sealed() -> None:
    """Each is one tag longer, and the same one looks different the second time."""
    opener = FrameOpener(KEY)
    assert [opener.open(prefix(f), s) for f, s in zip(FRAMES, sealed(), strict=True)] == FRAMES
    assert [len(each) for each in sealed()] == [len(frame) + TAG_BYTES for frame in FRAMES]
    assert len(set(sealed())) == len(FRAMES)


def test_the_bytes_are_those_that_the_module_says() -> None:
    """The nonce counts from 1, and the length is additional data: another program could open it."""
    for number, (frame, made) in enumerate(zip(FRAMES, sealed(), strict=True), start=1):
        nonce = number.to_bytes(12, "big")
        assert AESGCM(KEY).decrypt(nonce, made, prefix(frame)) == frame


@pytest.mark.parametrize(
    ("length", "data", "key"),
    [
        (FRAMES[0], sealed()[1], KEY),
        (FRAMES[2], sealed()[2], KEY),
        (FRAMES[1], sealed()[0], KEY),
        (FRAMES[0], sealed()[0][:-1], KEY),
        (FRAMES[0], b"", KEY),
        (FRAMES[0], sealed(bytes(16))[0], KEY),
    ],
    ids=["another", "a later one", "another length", "cut", "empty", "another key"],
)
def test_what_is_not_the_next_frame_opens_nowhere(length: bytes, data: bytes, key: bytes) -> None:
    """By an error that the lane foresees."""
    with pytest.raises(SealBrokenError, match="somebody else"):
        FrameOpener(key).open(prefix(length), data)
