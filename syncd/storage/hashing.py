"""Hashers for pieces of parcels, and for whole files in several algorithms at once.

Must not: read anything; it is fed.
"""

from collections.abc import Iterable
from typing import Protocol

import xxhash

from syncd.evidence.hashers import new_hashers
from syncd.roll.digests import Algorithm, Digest

PIECE_DIGEST_BYTES = 16


class PieceHasher(Protocol):
    """What is needed of one."""

    def update(self, data: memoryview, /) -> None: ...

    def digest(self) -> bytes: ...


def piece_hasher() -> PieceHasher:
    """Return a new hasher for one piece of a parcel: XXH128."""
    return xxhash.xxh3_128()


class FileHashers:
    """Several digests of one file, taken in one pass."""

    def __init__(self, algorithms: Iterable[Algorithm]) -> None:
        self._hashers = new_hashers(algorithms)

    def update(self, data: memoryview) -> None:
        """Take in the next bytes of the file."""
        for hasher in self._hashers:
            hasher.update(data)

    def digests(self) -> tuple[Digest, ...]:
        """Return the digests in the order in which the algorithms were given."""
        return tuple(hasher.digest() for hasher in self._hashers)
