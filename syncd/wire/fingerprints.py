"""Fingerprints: SHA-256 of a DER certificate, the identity of a node.

Owns: their text form "sha256:" and 64 lower-case hex digits, and how two are compared.
Must not: read a certificate from anywhere.
"""

import hashlib
import hmac

PREFIX = "sha256:"
HEX_DIGITS = 64
DEVICE_ID_DIGITS = 6


def fingerprint_of(der: bytes) -> str:
    """Return the fingerprint of a certificate."""
    return PREFIX + hashlib.sha256(der).hexdigest()


def parse_fingerprint(text: str) -> str:
    """Return a fingerprint in its one form; upper case, colons and a missing prefix are accepted.

    Raises ValueError if it is none.
    """
    digits = text.strip().lower().removeprefix(PREFIX).replace(":", "")
    if len(digits) != HEX_DIGITS or not set(digits) <= set("0123456789abcdef"):
        raise ValueError(f'{text[:100]!r} is not "sha256:" and {HEX_DIGITS} hex digits')
    return PREFIX + digits


def fingerprint_bytes(fingerprint: str) -> bytes:
    """Return the 32 raw bytes."""
    return bytes.fromhex(fingerprint.removeprefix(PREFIX))


def is_same(fingerprint: str, other: str) -> bool:
    """Compare in a time that does not tell how many digits agree."""
    return hmac.compare_digest(fingerprint.encode(), other.encode())


def device_id(fingerprint: str) -> str:
    """Return the few digits that tell two nodes of one name apart for a person."""
    return fingerprint.removeprefix(PREFIX)[:DEVICE_ID_DIGITS]
