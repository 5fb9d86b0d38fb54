"""Parcels in clear, as a lane uncovers them: anybody may read them, and nobody change them.

The first byte says what comes: bytes as they are; or the rest is a text, whose records are proved
rightly, and then hurt in that way, or in none.
"""

from syncd.wire.clear import ClearOpener, ClearSealer, clear_bytes
from syncd.wire.cover import Uncoverer, body_bytes, coverer, uncoverer
from syncd.wire.keys import TAG_BYTES, Seal
from syncd.wire.seal import SealBrokenError
from tests.fuzz.target import Target

KEY, SALT = b"k" * 16, b"s" * 16
PLAIN = b"Salt Meridian, A012"
RECORD = 8
AS_IT_IS, WHOLE, FOREIGN, FLIPPED, MOVED, CUT, LONGER, SHORTER = range(8)


def one(data: bytes) -> bool:
    """Try one input."""
    if not data:
        return False
    how, rest = data[0] % 8, data[1:]
    if how == AS_IT_IS:
        return _as_it_is(rest)
    message = _covered(rest, b"o" * 16 if how == FOREIGN else KEY)
    assert len(message) == clear_bytes(len(rest), RECORD)
    hurt = _hurt(how, message)
    announced_bytes = max(0, len(rest) + {LONGER: 1, SHORTER: -1}.get(how, 0))
    opened = _opened(ClearOpener(KEY, announced_bytes, RECORD), hurt)
    is_whole = how != FOREIGN and hurt == message and announced_bytes == len(rest)
    assert opened == (rest if is_whole else None)
    return is_whole


def _as_it_is(message: bytes) -> bool:
    """What was proved with the key is taken, in either form of a lane; nobody else has it."""
    opened = _opened(ClearOpener(KEY, len(PLAIN), RECORD), message)
    assert opened is None or message.startswith(_covered(PLAIN, KEY))
    at_once = False
    for seal in Seal:
        opened_at_once = _opened(uncoverer(seal, KEY, SALT, len(PLAIN)), message)
        assert opened_at_once is None or message.startswith(_at_once(seal))
        at_once |= opened_at_once is not None
    return at_once or opened is not None


def _covered(plain: bytes, key: bytes) -> bytes:
    sealer, tag = ClearSealer(key, len(plain), RECORD), memoryview(bytearray(TAG_BYTES))
    message, left = b"", memoryview(plain)
    while not sealer.is_done:
        parts = sealer.cover(left, tag)
        message += b"".join(parts)
        left = left[len(parts[0]) :]
    return message


def _at_once(seal: Seal) -> bytes:
    """Return PLAIN as a lane sends it: one record has room for it."""
    covering, into = coverer(seal, KEY, SALT, len(PLAIN)), memoryview(bytearray(100))
    plain = memoryview(bytearray(PLAIN + b"\0"))  # with room for a delimiter
    message = bytes(covering.header) + b"".join(covering.cover(plain, into))
    assert len(message) == body_bytes(seal, len(PLAIN))
    return message


def _hurt(how: int, message: bytes) -> bytes:
    at, length = sum(message) % len(message), RECORD + TAG_BYTES
    if how == FLIPPED:
        return message[:at] + bytes([message[at] ^ (1 << at % 8)]) + message[at + 1 :]
    if how == MOVED:
        return message[length : 2 * length] + message[:length] + message[2 * length :]
    return message[:at] if how == CUT else message


def _opened(opener: Uncoverer, message: bytes) -> bytes | None:
    """Return what a lane takes of message; None if it refuses it, or waits for more of it."""
    plain, sealed = memoryview(bytearray(100)), memoryview(bytearray(100))
    left, opened = memoryview(message), b""
    try:
        opener.check_header(left[: len(opener.header)])
        left = left[len(opener.header) :]
        while not opener.is_done:
            for view in opener.views(plain, sealed):
                if len(left) < len(view):
                    return None
                view[:] = left[: len(view)]
                left = left[len(view) :]
            opened += plain[: opener.uncover(plain, sealed)]
    except SealBrokenError:
        return None
    return opened


def seeds() -> list[bytes]:
    """Return valid examples."""
    whole = [_covered(PLAIN, KEY), *map(_at_once, Seal)]
    return [bytes([AS_IT_IS]) + message for message in whole] + [
        bytes([how]) + PLAIN for how in range(WHOLE, SHORTER + 1)
    ]


TARGET = Target("clear", one, seeds, prefix_bytes=1, bytes_max=600)
