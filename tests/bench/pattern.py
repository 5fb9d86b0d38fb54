"""Generated footage: what a file holds is a function of its name and the offset alone.

One block of noise, repeated; each file begins at another place in it. The block's length is a prime
above the size of a parcel's record, so that no two parcels of a file hold the same, and a byte or
a parcel in a wrong place is a wrong byte.
"""

import hashlib
import random

import xxhash

PERIOD_BYTES = 1_048_583  # a prime
_NOISE = random.Random("Salt Meridian").randbytes(PERIOD_BYTES)
# Twice: any PERIOD_BYTES in a row are one slice.
_TWICE = memoryview(_NOISE * 2)


class Pattern:
    """The content of one file, without end."""

    def __init__(self, name: str) -> None:
        digest = hashlib.blake2b(name.encode(), digest_size=8).digest()
        self._shift = int.from_bytes(digest, "big") % PERIOD_BYTES

    def part(self, offset_bytes: int, length_bytes: int) -> memoryview:
        """Return what lies at offset; at most PERIOD_BYTES."""
        start = (offset_bytes + self._shift) % PERIOD_BYTES
        return _TWICE[start : start + min(length_bytes, PERIOD_BYTES)]

    def fill(self, view: memoryview, offset_bytes: int) -> None:
        """Write what lies at offset into view."""
        done = 0
        while done < len(view):
            part = self.part(offset_bytes + done, len(view) - done)
            view[done : done + len(part)] = part
            done += len(part)

    def is_at(self, view: memoryview, offset_bytes: int) -> bool:
        """Tell whether view is what lies at offset."""
        expected = xxhash.xxh3_128()
        done = 0
        while done < len(view):
            part = self.part(offset_bytes + done, len(view) - done)
            expected.update(part)
            done += len(part)
        return xxhash.xxh3_128_digest(view) == expected.digest()

    def xxh64(self, size_bytes: int) -> str:
        """Return the XXH64 of the first size_bytes, as evidence states it."""
        hasher = xxhash.xxh64()
        for offset in range(0, size_bytes, PERIOD_BYTES):
            hasher.update(self.part(offset, size_bytes - offset))
        return hasher.hexdigest()
