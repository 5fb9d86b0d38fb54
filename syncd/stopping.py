"""Running work to its end so that being told to end is never missed.

When a child of a TaskGroup fails at the very moment at which the group's own task is cancelled,
the group raises the child's error, and the cancelling is lost: whoever then retries never ends.
"""

import asyncio
from collections.abc import Coroutine
from typing import Any


async def to_its_end(work: Coroutine[Any, Any, None], *, name: str | None = None) -> None:
    """Await work in a task of its own: raises what it raises, but CancelledError if cancelled."""
    task = asyncio.create_task(work, name=name)
    try:
        await asyncio.wait({task})
    finally:
        task.cancel()
        await asyncio.wait({task})
        error = None if task.cancelled() else task.exception()
    if error is not None:
        raise error
