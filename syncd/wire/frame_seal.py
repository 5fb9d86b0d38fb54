"""One frame as it travels: its length, then the frame under AES-128-GCM (NIST SP 800-38D).

Owns: nonces, and that a frame fits its length and its place among those of its direction, and no
other. Must not: do I/O, choose keys (keys.py), or know what a frame says or how long it may be.

The nonce is the frame's number in its direction, from 1; the key is the direction's own, of one
connection (keys.py), so no nonce comes twice under it. The length is additional data. A frame
that was changed, repeated, moved, left out or sent back opens nowhere. It is all the same whether
parcels travel sealed or in clear: who listens learns how long a frame is, and when it was said.
"""

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from syncd.wire.seal import NONCE_BYTES, SealBrokenError


class _Frames:
    """The cipher of one direction, and how many of its frames there were."""

    def __init__(self, key: bytes) -> None:
        self._aead = AESGCM(key)
        self._count = 0

    def _next_nonce(self) -> bytes:
        self._count += 1
        return self._count.to_bytes(NONCE_BYTES, "big")


class FrameSealer(_Frames):
    """Seals the frames of one direction, in their order."""

    def seal(self, prefix: bytes, frame: bytes) -> bytes:
        """Return the next frame as it travels behind its length: sealed, TAG_BYTES longer."""
        return self._aead.encrypt(self._next_nonce(), frame, prefix)


class FrameOpener(_Frames):
    """Opens the frames of one direction, in their order."""

    def open(self, prefix: bytes, sealed: bytes) -> bytes:
        """Return the next frame. Raises SealBrokenError unless it is as it was sealed, and next."""
        try:
            return self._aead.decrypt(self._next_nonce(), sealed, prefix)
        except InvalidTag:
            raise SealBrokenError("a frame is damaged or comes from somebody else") from None
