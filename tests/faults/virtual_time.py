"""An asyncio loop on simulated time: waiting costs nothing, and one seed gives one run.

When nothing can run, time jumps to the next timer. Nothing here looks at a real clock or socket.
"""

import asyncio
import selectors
from collections.abc import Coroutine
from typing import Any, TypeVar

T = TypeVar("T")


class SimulationStuckError(Exception):
    """Nothing can run and no timer is set: the run would wait for ever."""


class _JumpingSelector(selectors.SelectSelector):
    """Reports no event, ever; what a loop would wait is added to its time instead."""

    now_s = 1_000_000.0

    def select(self, timeout: float | None = None) -> list[Any]:
        if timeout is None:
            raise SimulationStuckError("nothing can run and no timer is set")
        if timeout > 0:
            self.now_s += timeout
        return []


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop whose time() is simulated."""

    def __init__(self) -> None:
        self._jumping = _JumpingSelector()
        super().__init__(self._jumping)

    def time(self) -> float:
        return self._jumping.now_s

    def call_soon_threadsafe(  # type: ignore[override]
        self, callback: Any, *args: Any, context: Any = None
    ) -> Any:
        """There is one thread; without the self-pipe, whose bytes nobody would read."""
        return self.call_soon(callback, *args, context=context)


def run_simulated(main: Coroutine[Any, Any, T], *, limit_s: float) -> T:
    """Run main to its end on simulated time. Raises TimeoutError after limit_s of it."""
    loop = VirtualLoop()
    asyncio.set_event_loop(loop)
    try:
        return loop.run_until_complete(asyncio.wait_for(main, limit_s))
    finally:
        try:
            _end_all(loop)
        finally:
            asyncio.set_event_loop(None)
            loop.close()


def _end_all(loop: asyncio.AbstractEventLoop) -> None:
    tasks = asyncio.all_tasks(loop)
    for task in tasks:
        task.cancel()
    if tasks:
        loop.run_until_complete(asyncio.gather(*tasks, return_exceptions=True))
