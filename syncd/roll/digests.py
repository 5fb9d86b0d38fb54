"""Digests and how the trade writes them as text.

Owns: the algorithm names of ASC MHL (specification v1.0, section 4) and of checksum lists, their
lengths, and the text forms: lower-case hex, big-endian, and C4 (SMPTE ST 2114) in base 58.
Must not: hash anything; see evidence/hashers.py.
"""

from dataclasses import dataclass
from enum import StrEnum

C4_ALPHABET = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
C4_TEXT_LENGTH = 90


class Algorithm(StrEnum):
    """A digest algorithm; the value is its name in ASC MHL where that has one."""

    C4 = "c4"
    MD5 = "md5"
    SHA1 = "sha1"
    SHA256 = "sha256"
    SHA512 = "sha512"
    XXH64 = "xxh64"
    XXH3 = "xxh3"
    XXH128 = "xxh128"


DIGEST_BYTES: dict[Algorithm, int] = {
    Algorithm.C4: 64,
    Algorithm.MD5: 16,
    Algorithm.SHA1: 20,
    Algorithm.SHA256: 32,
    Algorithm.SHA512: 64,
    Algorithm.XXH64: 8,
    Algorithm.XXH3: 8,
    Algorithm.XXH128: 16,
}


@dataclass(frozen=True, slots=True, order=True)
class Digest:
    """One digest of one file.

    value: the raw bytes, DIGEST_BYTES[algorithm] of them (for C4 the SHA-512).

    Raises ValueError if the length is wrong, so a malformed Digest cannot exist.
    """

    algorithm: Algorithm
    value: bytes

    def __post_init__(self) -> None:
        if len(self.value) != DIGEST_BYTES[self.algorithm]:
            raise ValueError(
                f"{self.algorithm} has {DIGEST_BYTES[self.algorithm]} bytes, not {len(self.value)}"
            )

    @property
    def text(self) -> str:
        """The digest as manifests write it."""
        if self.algorithm is Algorithm.C4:
            return c4_text(self.value)
        return self.value.hex()

    def __str__(self) -> str:
        return f"{self.algorithm}:{self.text}"


def parse_digest(algorithm: Algorithm, text: str) -> Digest:
    """Read a digest as written in a manifest; upper-case hex is accepted.

    Raises ValueError if the text has the wrong length or alphabet.
    """
    if algorithm is Algorithm.C4:
        return Digest(algorithm, c4_bytes(text))
    if len(text) != 2 * DIGEST_BYTES[algorithm] or not text.isascii() or not text.isalnum():
        raise ValueError(f"{text[:80]!r} is not a {algorithm} digest")
    return Digest(algorithm, bytes.fromhex(text))


def c4_text(sha512: bytes) -> str:
    """Write a SHA-512 digest as a C4 ID (SMPTE ST 2114; test vectors in tests/roll)."""
    number = int.from_bytes(sha512, "big")
    digits: list[str] = []
    while number:
        number, digit = divmod(number, 58)
        digits.append(C4_ALPHABET[digit])
    return "c4" + "".join(reversed(digits)).rjust(C4_TEXT_LENGTH - 2, C4_ALPHABET[0])


def c4_bytes(text: str) -> bytes:
    """Read a C4 ID back to its 64 bytes. Raises ValueError if it is not one."""
    if len(text) != C4_TEXT_LENGTH or not text.startswith("c4"):
        raise ValueError(f"{text[:100]!r} is not a C4 ID: 90 characters starting with c4")
    number = 0
    for character in text[2:]:
        digit = C4_ALPHABET.find(character)
        if digit < 0:
            raise ValueError(f"{text!r} is not a C4 ID: {character!r} is outside its alphabet")
        number = number * 58 + digit
    if number >= 1 << 512:
        raise ValueError(f"{text!r} is not a C4 ID: its value does not fit 512 bits")
    return number.to_bytes(64, "big")
