"""A bell: ring it from any thread, wait for it on the event loop.

Rings between two waits count as one, and a ring that comes before the wait is not lost.
"""

import asyncio
import threading


class Bell:
    """Belongs to the loop that first waits for it."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._rung = False
        self._loop: asyncio.AbstractEventLoop | None = None
        self._waiting: asyncio.Future[None] | None = None

    def ring(self) -> None:
        """Wake the waiter, now or at its next wait; harmless when nobody will ever wait."""
        with self._lock:
            self._rung = True
            loop = self._loop if self._waiting is not None else None
        if loop is not None and not loop.is_closed():
            try:
                loop.call_soon_threadsafe(self._wake)
            except RuntimeError:
                return  # the loop was closed in between: nobody waits any more

    async def wait(self, timeout_s: float | None) -> bool:
        """Return True when rung since the last wait, False after timeout_s (None: no limit)."""
        loop = asyncio.get_running_loop()
        with self._lock:
            if not self._rung:
                self._loop = loop
                self._waiting = loop.create_future()
            waiting = self._waiting
        try:
            if waiting is not None:
                async with asyncio.timeout(timeout_s):
                    await waiting
        except TimeoutError:
            pass
        finally:
            with self._lock:
                rung, self._rung, self._waiting = self._rung, False, None
        return rung

    def _wake(self) -> None:
        waiting = self._waiting
        if waiting is not None and not waiting.done():
            waiting.set_result(None)
