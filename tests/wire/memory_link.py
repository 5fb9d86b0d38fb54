"""Two ends of a link in memory, on simulated time, with a hand on what travels."""

import asyncio
from collections.abc import Callable

from syncd.errors import LinkLostError


class MemoryLink:
    """Implements ports.Link.

    meddle: changes what this end sends, or drops it with b"". delay_s: how long a send takes.
    """

    def __init__(self) -> None:
        self.twin: MemoryLink | None = None
        self.inbox = bytearray()
        self.sent = bytearray()
        self.meddle: Callable[[bytes], bytes] = bytes
        self.delay_s = 0.001
        self._event = asyncio.Event()
        self._is_woken = False
        self._is_closed = False

    async def send(self, *parts: bytes | bytearray | memoryview) -> None:
        data = b"".join(parts)
        self.sent += data
        await asyncio.sleep(self.delay_s)
        twin = self.twin
        if self._is_closed or twin is None or twin._is_closed:
            raise lost()
        twin.inbox += self.meddle(data)
        twin._event.set()

    async def receive_into(self, view: memoryview, timeout_s: float) -> int:
        if not (self.inbox or self._is_woken or self._is_over()) and timeout_s > 0:
            try:
                async with asyncio.timeout(timeout_s):
                    await self._event.wait()
            except TimeoutError:
                return 0
        self._event.clear()
        self._is_woken = False
        count = min(len(view), len(self.inbox))
        view[:count] = self.inbox[:count]
        del self.inbox[:count]
        if self._is_closed or (not count and self._is_over()):
            raise lost()
        return count

    @property
    def is_closed(self) -> bool:
        """Whether this end was closed."""
        return self._is_closed

    def wake(self) -> None:
        self._is_woken = True
        self._event.set()

    def close(self) -> None:
        self._is_closed = True
        for end in (self, self.twin):
            if end is not None:
                end._event.set()

    def _is_over(self) -> bool:
        return self._is_closed or (self.twin is not None and self.twin._is_closed)


def lost() -> LinkLostError:
    """Make the error of a link that has ended."""
    return LinkLostError("The link broke.", remedy="It is opened again.")


def link_pair() -> tuple[MemoryLink, MemoryLink]:
    """Return two ends of one link."""
    near, far = MemoryLink(), MemoryLink()
    near.twin, far.twin = far, near
    return near, far


class LoopClock:
    """Time of the running loop, simulated or not."""

    def monotonic_s(self) -> float:
        return asyncio.get_running_loop().time()

    def utc_ms(self) -> int:
        return int(self.monotonic_s() * 1000)

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)
