"""The keys of one lane: all derived from its ticket's key and the nonce of its greeting.

Owns: which key the frames, each parcel and the proof of the greeting get. Must not: do I/O or
choose a secret. Derivation is HKDF-SHA256 (hkdf.py).

No key is ever used twice. A ticket's key is random and serves one connection; the nonce that the
listening end chose is the salt, so even the same ticket would have other keys on another
connection. From there each direction has a key of its own for frames and a secret for parcels. A
frame is sealed with its number in that direction as the nonce, in clear mode, too (frame_seal.py).
A parcel's key is made of its number in that direction and of the whole frame that announces it,
as it was before it was sealed: it holds roll, number, lengths and evidence.
RFC 8188 knows no additional data, and needs none here: what was recorded fits no other lane,
direction, turn, roll, number or mode, because there the key is another one. A parcel that travels
again does so under another number of its direction.
"""

from enum import StrEnum

from syncd.wire.hkdf import expand, extract

KEY_BYTES = 16
TAG_BYTES = 16
PROOF_BYTES = 32
SECRET_BYTES = 32
DIALLER, LISTENER = b"dialler", b"listener"


class Seal(StrEnum):
    """How parcels travel: SEALED nobody can read, CLEAR anybody on the cable; both are proved.

    Frames, which name rolls and files, are sealed in either.
    """

    SEALED = "sealed"
    CLEAR = "clear"


class LaneKeys:
    """What is derived from a ticket's key. Without a nonce it is good for no lane yet."""

    def __init__(self, key: bytes, seal: Seal = Seal.SEALED, *, nonce: bytes = b"") -> None:
        assert len(key) == KEY_BYTES, "a lane's key comes from its ticket"
        self.seal = seal
        self._key = key
        self._session = extract(nonce, key)
        self._parcels = {
            way: expand(self._session, self._label(b"parcels", way), SECRET_BYTES)
            for way in (DIALLER, LISTENER)
        }

    def for_session(self, nonce: bytes) -> "LaneKeys":
        """Return the keys of the connection whose greeting had this nonce."""
        return LaneKeys(self._key, self.seal, nonce=nonce)

    def proof(self, ticket: bytes) -> bytes:
        """Return what shows that the one with the ticket has its key, on this connection."""
        return expand(self._session, self._label(b"hello", DIALLER) + ticket, PROOF_BYTES)

    def parcel_key(self, direction: bytes, sequence: int, head: bytes) -> bytes:
        """Return the key material of the parcel that is number sequence in its direction.

        head: the frame that announces it, not sealed, which holds roll, number and lengths.
        """
        return expand(self._parcels[direction], _place(sequence) + head, KEY_BYTES)

    def frame_key(self, direction: bytes) -> bytes:
        """Return the key that all frames of one direction are sealed with."""
        return expand(self._session, self._label(b"frames", direction), KEY_BYTES)

    def _label(self, use: bytes, direction: bytes) -> bytes:
        return b"\0".join((b"syncd lane 3", self.seal.value.encode(), use, direction, b""))


def _place(sequence: int) -> bytes:
    return sequence.to_bytes(8, "big")


def parcel_salt(sequence: int) -> bytes:
    """Return the salt of a lane's parcel: its place. Its key is its own already."""
    return sequence.to_bytes(16, "big")
