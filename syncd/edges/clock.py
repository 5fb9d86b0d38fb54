"""Time from the system."""

import asyncio
import time


class RealClock:
    """Implements ports.Clock. sleep() needs a running loop: lanes wait on their link instead."""

    def monotonic_s(self) -> float:
        return time.monotonic()

    def utc_ms(self) -> int:
        return time.time_ns() // 1_000_000

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)
