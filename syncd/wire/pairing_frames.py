"""What travels while two boxes pair: three messages, each in a frame, read from a stranger.

Owns: their shape and bounds, and their way to bytes and back. Must not: do I/O, or know what an
exchange proves; pairing.py says in which order they come.
"""

from dataclasses import dataclass
from typing import Annotated

from syncd.wire.announcement import ROLES
from syncd.wire.fields import BadMessage, Blob, Choice, Many, Text, Whole, pack_plain, unpack_plain
from syncd.wire.messages import Message
from syncd.wire.pairing_code import TRIES, Turn

PAKE_BYTES = 33  # a side's letter and a point
FRAME_BYTES_MAX = 512
HEAD_BYTES = 3


@dataclass(frozen=True, slots=True)
class Introduction(Message):
    """Who speaks, and its message of SPAKE2."""

    pake: Annotated[bytes, Blob(PAKE_BYTES, PAKE_BYTES)]
    name: Annotated[str, Text(63, bytes_min=1)]
    roles: Annotated[tuple[str, ...], Many(Text(32, allowed=frozenset(ROLES)), len(ROLES))]
    control_port: Annotated[int, Whole(low=1, high=65535)]


@dataclass(frozen=True, slots=True)
class Proof(Message):
    """The sender knows the code, and sees the same two certificates."""

    mac: Annotated[bytes, Blob(32, 32)]


@dataclass(frozen=True, slots=True)
class Turned(Message):
    """The exchange ends here."""

    why: Annotated[Turn, Choice(Turn)]
    tries_left: Annotated[int, Whole(high=TRIES)] = 0


_KINDS: tuple[type[Message], ...] = (Introduction, Proof, Turned)


class Frames:
    """Bytes in, at most one message out: each side waits for the other, so no more can be there."""

    def __init__(self) -> None:
        self._buffer = bytearray()

    def take(self, data: bytes, *expected: type[Message]) -> Message | None:
        """Add data and return the message that is complete. Raises BadMessage."""
        self._buffer += data
        if len(self._buffer) < HEAD_BYTES:
            return None
        kind, size = self._buffer[0], int.from_bytes(self._buffer[1:HEAD_BYTES], "big")
        if kind >= len(_KINDS) or _KINDS[kind] not in expected:
            raise BadMessage("It is out of turn.")
        if size > FRAME_BYTES_MAX or len(self._buffer) > HEAD_BYTES + size:
            raise BadMessage("It is too long.")
        if len(self._buffer) < HEAD_BYTES + size:
            return None
        body = bytes(self._buffer[HEAD_BYTES:])
        self._buffer.clear()
        return _KINDS[kind].from_plain(unpack_plain(body, array_max=len(ROLES)))


def frame(message: Message) -> bytes:
    """Return a message as it travels: its kind, its length, msgpack."""
    body = pack_plain(message.to_plain())
    assert len(body) <= FRAME_BYTES_MAX, "our own messages are short"
    return bytes([_KINDS.index(type(message))]) + len(body).to_bytes(2, "big") + body


def is_introduction(data: bytes) -> bool:
    """Tell whether data is a whole introduction; False: more is to come. Raises BadMessage."""
    return Frames().take(data, Introduction) is not None
