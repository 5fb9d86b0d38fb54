"""How fast this box hashes what lies in its memory.

Owns: hashing for a given time, as many files at once as the box does it. Must not: read anything.
"""

from collections.abc import Callable

from syncd.evidence.hashers import new_hasher
from syncd.limits import SPEED_HASH_SECONDS_MAX
from syncd.ports import Clock, Disk
from syncd.roll.digests import Algorithm
from syncd.speed.filler import Filler
from syncd.speed.together import Amount, together

AT_ONCE = 2  # lanes of a hand-off, and files that are read back at a time


async def hash_for(
    algorithm: Algorithm,
    seconds: float,
    *,
    filler: Filler,
    disk: Disk,
    clock: Clock,
    is_over: Callable[[], bool],
) -> Amount:
    """Hash for so long, or for SPEED_HASH_SECONDS_MAX; return how much, and how long it took."""
    ends_s = clock.monotonic_s() + min(seconds, SPEED_HASH_SECONDS_MAX)

    def work(_: int) -> int:
        hasher, number = new_hasher(algorithm), 0
        while not is_over():
            piece = filler.piece(number)
            hasher.update(piece)
            number += 1
            if clock.monotonic_s() >= ends_s:
                break
        return number * len(filler.piece(0))

    return await together(work, AT_ONCE, disk, clock)
