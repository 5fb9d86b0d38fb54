"""A few jobs at a time, each a task with an owner.

Owns: the number that may run, and which keys are busy. Must not: know what a job does.
"""

import asyncio
from collections.abc import Callable, Coroutine
from types import TracebackType
from typing import Any, Self


class Jobs:
    """Runs up to count jobs at once; a job that raises ends all, as in a task group.

    ended: called after each job.
    """

    def __init__(self, count: int, ended: Callable[[], None]) -> None:
        self.free = count
        self._count = count
        self._ended = ended
        self._keys: set[str] = set()
        self._group: asyncio.TaskGroup | None = None

    def is_running(self, key: str) -> bool:
        """Tell whether a job of that key runs."""
        return key in self._keys

    def start(self, key: str | None, job: Coroutine[Any, Any, None]) -> None:
        """Start a job; call only while free is above 0 and no job of that key runs."""
        assert self.free > 0, "look at free first"
        assert self._group is not None, "jobs are started inside the block"
        self.free -= 1
        if key is not None:
            self._keys.add(key)
        self._group.create_task(self._run(key, job), name=f"storage-{key or 'proof'}")

    async def _run(self, key: str | None, job: Coroutine[Any, Any, None]) -> None:
        try:
            await job
        finally:
            self.free += 1
            if key is not None:
                self._keys.discard(key)
            self._ended()

    async def __aenter__(self) -> Self:
        self.free = self._count
        self._keys.clear()
        self._group = asyncio.TaskGroup()
        await self._group.__aenter__()
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        assert self._group is not None, "entered before it is left"
        await self._group.__aexit__(kind, error, trace)
