"""HKDF with SHA-256 (RFC 5869): many keys from one secret, none of which tells of another.

Pure. Section numbers are the RFC's; its vectors are in tests/wire/test_hkdf.py.
"""

import hmac

HASH_BYTES = 32


def extract(salt: bytes, secret: bytes) -> bytes:
    """Return the 32 bytes that all else is expanded from (section 2.2)."""
    return hmac.digest(salt or bytes(HASH_BYTES), secret, "sha256")


def expand(pseudo_random_key: bytes, info: bytes, count: int) -> bytes:
    """Return count bytes, 8160 at most, that are bound to info (section 2.3)."""
    assert 0 < count <= 255 * HASH_BYTES, "the counter is one byte"
    made, block = b"", b""
    while len(made) < count:
        counter = bytes([len(made) // HASH_BYTES + 1])
        block = hmac.digest(pseudo_random_key, block + info + counter, "sha256")
        made += block
    return made[:count]
