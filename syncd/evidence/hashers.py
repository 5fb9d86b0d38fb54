"""The one place where bytes become digests, in every algorithm that evidence may use.

Must not: decide which algorithm counts, or read anything.
"""

import hashlib
from collections.abc import Callable, Iterable
from typing import Any

import xxhash

from syncd.roll.digests import Algorithm, Digest

# md5 and sha1 guard against accidents here, not against people: no security is claimed.
_MAKERS: dict[Algorithm, Callable[[], Any]] = {
    Algorithm.C4: hashlib.sha512,
    Algorithm.MD5: lambda: hashlib.md5(usedforsecurity=False),
    Algorithm.SHA1: lambda: hashlib.sha1(usedforsecurity=False),
    Algorithm.SHA256: hashlib.sha256,
    Algorithm.SHA512: hashlib.sha512,
    Algorithm.XXH64: xxhash.xxh64,
    Algorithm.XXH3: xxhash.xxh3_64,
    Algorithm.XXH128: xxhash.xxh3_128,
}


class Hasher:
    """Takes in bytes and gives their digest; both may be called again and again.

    update() lets other threads run while it works on much data.
    """

    __slots__ = ("_state", "algorithm", "update")

    def __init__(self, algorithm: Algorithm) -> None:
        self.algorithm = algorithm
        self._state = _MAKERS[algorithm]()
        self.update: Callable[[bytes | bytearray | memoryview], Any] = self._state.update

    def digest(self) -> Digest:
        """Return the digest of everything so far."""
        return Digest(self.algorithm, self._state.digest())


def new_hasher(algorithm: Algorithm) -> Hasher:
    """Return a hasher that has seen nothing yet."""
    return Hasher(algorithm)


def new_hashers(algorithms: Iterable[Algorithm]) -> tuple[Hasher, ...]:
    """Return one hasher for each algorithm, C4 and SHA-512 apart though they agree."""
    return tuple(Hasher(algorithm) for algorithm in dict.fromkeys(algorithms))


def digest_of(algorithm: Algorithm, data: bytes | bytearray | memoryview) -> Digest:
    """Return the digest of data."""
    hasher = Hasher(algorithm)
    hasher.update(data)
    return hasher.digest()
