"""Signatures of webhooks, as Standard Webhooks 1.0.0 writes them. Pure.

Owns: the form of a secret, what is signed, the header. Must not: know where a secret is kept.
Source: Standard Webhooks, spec/standard-webhooks.md (version 1.0.0), symmetric signatures.
"""

import base64
import binascii
import hashlib
import hmac
from collections.abc import Sequence

PREFIX = "whsec_"
KEY_BYTES_MIN, KEY_BYTES_MAX = 24, 64
SECRETS_MAX = 8  # one, and while it is being replaced two


def key_of(secret: str) -> bytes:
    """Return the key that a secret holds. Raises ValueError, which says nothing of the secret."""
    if not secret.startswith(PREFIX):
        raise ValueError(f"a secret begins with {PREFIX}")
    try:
        key = base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    except (binascii.Error, ValueError):
        raise ValueError(f"what follows {PREFIX} is not base64") from None
    if not KEY_BYTES_MIN <= len(key) <= KEY_BYTES_MAX:
        raise ValueError(f"a secret holds {KEY_BYTES_MIN} to {KEY_BYTES_MAX} bytes")
    return key


def keys_in(text: str) -> tuple[bytes, ...]:
    """Return the keys of a file with one secret a line. Raises ValueError if there is none."""
    lines = [line.strip() for line in text.splitlines() if line.strip()]
    if not 1 <= len(lines) <= SECRETS_MAX:
        raise ValueError(f"there are {len(lines)} secrets, one a line; 1 to {SECRETS_MAX} may be")
    return tuple(key_of(line) for line in lines)


def signature(keys: Sequence[bytes], message_id: str, timestamp_s: int, body: bytes) -> str:
    """Return the header webhook-signature: one signature for each key; any of them is enough."""
    assert "." not in message_id, "a dot parts what is signed"
    signed = f"{message_id}.{timestamp_s}.".encode() + body
    made = (hmac.new(key, signed, hashlib.sha256).digest() for key in keys)
    return " ".join(f"v1,{base64.b64encode(each).decode()}" for each in made)
