"""Bytes to measure with: random, so that nothing on their way can make them shorter.

Owns: one buffer of them, and views into it that differ from each other, as disks are built that
keep equal blocks once. Must not: send or write any.
"""

from syncd.limits import SPEED_PIECE_BYTES
from syncd.ports import Chance

_STEP_BYTES = 4099  # a prime, so that no two views have the same blocks at a multiple of any size
_VIEWS = 512


class Filler:
    """Makes pieces of SPEED_PIECE_BYTES. Safe from several threads: it only reads."""

    def __init__(self, chance: Chance) -> None:
        room = SPEED_PIECE_BYTES + _VIEWS * _STEP_BYTES
        self._bytes = memoryview(chance.random_bytes(room))

    def piece(self, number: int) -> memoryview:
        """Return the piece of that number; after 512 (2 GiB) they come again."""
        start = number % _VIEWS * _STEP_BYTES
        return self._bytes[start : start + SPEED_PIECE_BYTES]
