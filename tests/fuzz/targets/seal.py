"""Sealed bytes: as they come, and with records that were sealed under the right key.

The first byte says which: 0 a whole message as it is; else the rest is plain text, sealed in
records of that many bytes, each with whatever delimiter the text ends in.
"""

import hmac

from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from syncd.wire.seal import (
    HEADER_BYTES_MIN,
    RECORD_OVERHEAD_BYTES,
    Header,
    Opener,
    SealBrokenError,
    decrypt,
    encrypt,
)
from tests.fuzz.target import Target

KEY, SALT = b"k" * 16, b"s" * 16
PLAIN = b"Salt Meridian, A012"


def one(data: bytes) -> bool:
    """Try one input."""
    if not data:
        return False
    message = data[1:] if data[0] == 0 else _sealed(data[0], data[1:])
    try:
        plain = decrypt(message, KEY)
    except SealBrokenError:
        return False
    finally:
        _open_in_place(message, may_differ=data[0] > 0)
    assert len(plain) + HEADER_BYTES_MIN + RECORD_OVERHEAD_BYTES <= len(message)
    return True


def _open_in_place(message: bytes, *, may_differ: bool) -> None:
    """Open it as a lane does, which knows length and salt beforehand."""
    opener = Opener(KEY, SALT, len(PLAIN), 8)
    into = memoryview(bytearray(9))
    try:
        opener.check_header(message[:HEADER_BYTES_MIN])
        start, opened = HEADER_BYTES_MIN, b""
        while not opener.is_done:
            end = start + opener.next_bytes + RECORD_OVERHEAD_BYTES
            record = memoryview(message)[start:end]
            if len(record) < end - start:
                return
            opened += bytes(into[: opener.open_record(record, into)])
            start = end
        assert may_differ or opened == PLAIN, "it was sealed with nobody's key"
    except SealBrokenError:
        return


def _sealed(record_bytes: int, plain: bytes) -> bytes:
    pseudo_random = hmac.digest(SALT, KEY, "sha256")
    expand = [
        hmac.digest(pseudo_random, b"Content-Encoding: " + use + b"\0\1", "sha256")
        for use in (b"aes128gcm", b"nonce")
    ]
    aead, base = AESGCM(expand[0][:16]), int.from_bytes(expand[1][:12], "big")
    size = max(18, record_bytes)
    message = Header(SALT, size).to_bytes()
    for number, start in enumerate(range(0, max(1, len(plain)), size - 16)):
        nonce = (base ^ number).to_bytes(12, "big")
        message += aead.encrypt(nonce, plain[start : start + size - 16], None)
    return message


def seeds() -> list[bytes]:
    """Return valid examples."""
    whole = encrypt(PLAIN, KEY, salt=SALT, record_size=8 + RECORD_OVERHEAD_BYTES)
    return [b"\0" + whole, b"\x12ab" + b"\2", b"\x40" + PLAIN + b"\2\0\0"]


TARGET = Target("seal", one, seeds, prefix_bytes=1)
