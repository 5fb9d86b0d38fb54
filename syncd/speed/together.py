"""Several pieces of blocking work at once, and how much they got done together.

Owns: that all of them have ended when it returns or raises. Must not: know what the work is.
"""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

from syncd.ports import Clock, Disk

_TICK_S = 1e-6  # a peer may say any time; a rate is a number that can be shown


@dataclass(frozen=True, slots=True)
class Amount:
    """How many bytes, in which time. note: what to know about it."""

    total_bytes: int
    elapsed_s: float
    note: str = ""

    @property
    def rate(self) -> float | None:
        """Bytes per second; None if it was nothing, or took no time that a clock shows."""
        is_timed = self.elapsed_s > _TICK_S
        return self.total_bytes / self.elapsed_s if self.total_bytes and is_timed else None


async def together(work: Callable[[int], int], count: int, disk: Disk, clock: Clock) -> Amount:
    """Run work(0), work(1) and so on aside, at once; add up the bytes that they return.

    Raises what the first of them raised, once all have ended; the work sees for itself that it is
    over when this is cancelled.
    """
    began_s = clock.monotonic_s()
    jobs = [asyncio.ensure_future(disk.aside(work, number)) for number in range(count)]
    for job in jobs:
        job.add_done_callback(_hear)
    await asyncio.wait(jobs)
    elapsed_s = clock.monotonic_s() - began_s
    return Amount(sum([job.result() for job in jobs]), elapsed_s)


def _hear(job: "asyncio.Future[int]") -> None:
    """Take note of an error that nobody may wait for any more."""
    if not job.cancelled():
        job.exception()
