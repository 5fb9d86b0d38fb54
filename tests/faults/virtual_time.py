"""An event loop on simulated time: waiting costs nothing, and one seed gives one run.

When nothing can run, time jumps to the next timer. Callbacks run in the order in which they were
asked for, and tasks lie in sets in the order in which they were made, so that no address in memory
decides anything. Nothing here looks at a real clock or socket.

Whatever runs for one box runs in a context that holds its Gate: there it is counted, can be
stopped for a while (a laptop's sleep), and can be told that the power goes at its n-th step.
"""

import asyncio
import heapq
from collections import deque
from collections.abc import Callable, Coroutine
from contextvars import Context, ContextVar, copy_context
from itertools import count
from typing import Any, TypeVar

T = TypeVar("T")

FIRST_S = 1_000_000.0


class SimulationStuckError(Exception):
    """Nothing can run and no timer is set: the run would wait for ever."""


class Gate:
    """What every step of one box passes through.

    crash_at_step: the step, counted in steps, at which crashed() is called; None: never.
    """

    def __init__(self, crashed: Callable[[], None]) -> None:
        self.steps = 0
        self.crash_at_step: int | None = None
        self._crashed = crashed
        self._held: deque[Handle] | None = None

    def freeze(self) -> None:
        """Let no step happen until thaw(); timers that ring meanwhile ring late."""
        if self._held is None:
            self._held = deque()

    def thaw(self, loop: "VirtualLoop") -> None:
        """Let all steps happen that were held back, in their order."""
        held, self._held = self._held, None
        loop.ready.extend(held or ())

    def admits(self, handle: "Handle") -> bool:
        """Count a step; keep it if the box sleeps."""
        if self._held is not None:
            self._held.append(handle)
            return False
        self.steps += 1
        if self.crash_at_step is not None and self.steps >= self.crash_at_step:
            self.crash_at_step = None
            self._crashed()
        return True


GATE: ContextVar[Gate | None] = ContextVar("GATE", default=None)


class Handle:
    """One callback that was asked for."""

    __slots__ = ("_is_cancelled", "_when_s", "args", "callback", "context")

    def __init__(
        self, callback: Callable[..., Any], args: tuple[Any, ...], context: Context, when_s: float
    ) -> None:
        self.callback = callback
        self.args = args
        self.context = context
        self._when_s = when_s
        self._is_cancelled = False

    def cancel(self) -> None:
        self._is_cancelled = True
        self.callback, self.args = _nothing, ()

    def cancelled(self) -> bool:
        return self._is_cancelled

    def when(self) -> float:
        return self._when_s


def _nothing() -> None:
    return None


class _Task(asyncio.Task[Any]):
    """A task whose place in a set is its number, not its address."""

    number = 0

    def __hash__(self) -> int:
        return self.number


class VirtualLoop(asyncio.AbstractEventLoop):
    """An event loop whose time() is simulated. It has what asyncio's own parts use, no more."""

    def __init__(self) -> None:
        self.ready: deque[Handle] = deque()
        self._timers: list[tuple[float, int, Handle]] = []
        self._numbers = count()
        self._now_s = FIRST_S
        self._is_closed = False
        self._is_running = False
        self._error: BaseException | None = None

    def time(self) -> float:
        return self._now_s

    def call_soon(  # type: ignore[override]
        self, callback: Callable[..., Any], *args: Any, context: Context | None = None
    ) -> Handle:
        handle = Handle(callback, args, context or copy_context(), self._now_s)
        self.ready.append(handle)
        return handle

    call_soon_threadsafe = call_soon  # type: ignore[assignment] # there is one thread

    def call_at(  # type: ignore[override]
        self, when: float, callback: Callable[..., Any], *args: Any, context: Context | None = None
    ) -> Handle:
        handle = Handle(callback, args, context or copy_context(), when)
        heapq.heappush(self._timers, (when, next(self._numbers), handle))
        return handle

    def call_later(  # type: ignore[override]
        self, delay: float, callback: Callable[..., Any], *args: Any, context: Context | None = None
    ) -> Handle:
        return self.call_at(self._now_s + delay, callback, *args, context=context)

    def create_future(self) -> "asyncio.Future[Any]":
        return asyncio.Future(loop=self)

    def create_task(  # type: ignore[override]
        self,
        coro: Coroutine[Any, Any, T],
        *,
        name: str | None = None,
        context: Context | None = None,
    ) -> "asyncio.Task[T]":
        task = _Task(coro, loop=self, name=name, context=context)
        task.number = next(self._numbers)
        return task

    def get_debug(self) -> bool:
        return False

    def is_running(self) -> bool:
        return self._is_running

    def is_closed(self) -> bool:
        return self._is_closed

    def close(self) -> None:
        self._is_closed = True

    def call_exception_handler(self, context: dict[str, Any]) -> None:
        """Fail the run for a callback that raised; what nobody asked for any more is no failure."""
        if "task" not in context and "future" not in context:
            self._error = context.get("exception")

    def run_until_complete(self, future: Any) -> Any:
        main = asyncio.ensure_future(future, loop=self)
        asyncio._set_running_loop(self)  # as every event loop must
        self._is_running = True
        try:
            while not main.done():
                self._turn()
        finally:
            self._is_running = False
            asyncio._set_running_loop(None)
        return main.result()

    def _turn(self) -> None:
        ready = self.ready
        if not ready:
            self._jump()
        for _ in range(len(ready)):
            handle = ready.popleft()
            if not handle._is_cancelled:
                self._run(handle)
        if self._error is not None:
            error, self._error = self._error, None
            raise error

    def _run(self, handle: Handle) -> None:
        gate = handle.context.get(GATE)
        if gate is None or gate.admits(handle):
            handle.context.run(handle.callback, *handle.args)

    def _jump(self) -> None:
        """Go to the next timer, and to all that ring at that same moment."""
        timers = self._timers
        while timers:
            when_s, _, handle = heapq.heappop(timers)
            if handle._is_cancelled:
                continue
            self._now_s = max(self._now_s, when_s)
            self.ready.append(handle)
            while timers and timers[0][0] <= self._now_s:
                self.ready.append(heapq.heappop(timers)[2])
            return
        raise SimulationStuckError("nothing can run and no timer is set")


def run_simulated(main: Coroutine[Any, Any, T], *, limit_s: float) -> T:
    """Run main to its end on simulated time. Raises TimeoutError after limit_s of it."""
    loop = VirtualLoop()  # type: ignore[abstract] # what is left out is not used
    asyncio.set_event_loop(loop)
    try:
        result: T = loop.run_until_complete(asyncio.wait_for(main, limit_s))
        return result
    finally:
        try:
            _end_all(loop)
        finally:
            asyncio.set_event_loop(None)
            loop.close()


def _end_all(loop: VirtualLoop) -> None:
    tasks = sorted(asyncio.all_tasks(loop), key=hash)
    for task in tasks:
        task.cancel()
    if tasks:
        loop.run_until_complete(asyncio.gather(*tasks, return_exceptions=True))
