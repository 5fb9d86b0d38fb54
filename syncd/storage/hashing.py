"""Hashers for whole files and for pieces, by the names of roll.digests.

Must not: read anything; it is fed.
"""

import hashlib
from collections.abc import Callable, Iterable
from typing import Protocol

import xxhash

from syncd.roll.digests import Algorithm, Digest

PIECE_DIGEST_BYTES = 16


class Hasher(Protocol):
    """What hashlib and xxhash have in common."""

    def update(self, data: memoryview, /) -> None: ...

    def digest(self) -> bytes: ...


# C4 is SHA-512 written in another way (SMPTE ST 2114).
_MAKERS: dict[Algorithm, Callable[[], Hasher]] = {
    Algorithm.C4: hashlib.sha512,
    Algorithm.MD5: lambda: hashlib.md5(usedforsecurity=False),
    Algorithm.SHA1: lambda: hashlib.sha1(usedforsecurity=False),
    Algorithm.SHA256: hashlib.sha256,
    Algorithm.SHA512: hashlib.sha512,
    Algorithm.XXH64: xxhash.xxh64,
    Algorithm.XXH3: xxhash.xxh3_64,
    Algorithm.XXH128: xxhash.xxh3_128,
}


def piece_hasher() -> Hasher:
    """Return a new hasher for one piece of a parcel: XXH128."""
    return _MAKERS[Algorithm.XXH128]()


class FileHashers:
    """Several digests of one file, taken in one pass."""

    def __init__(self, algorithms: Iterable[Algorithm]) -> None:
        self._hashers = {algorithm: _MAKERS[algorithm]() for algorithm in algorithms}

    def update(self, data: memoryview) -> None:
        """Take in the next bytes of the file."""
        for hasher in self._hashers.values():
            hasher.update(data)

    def digests(self) -> tuple[Digest, ...]:
        """Return the digests in the order in which the algorithms were given."""
        return tuple(Digest(name, hasher.digest()) for name, hasher in self._hashers.items())
