"""Being told to end is never missed, whatever fails at that moment."""

import asyncio

import pytest

from syncd.stopping import to_its_end


async def test_an_error_at_the_moment_of_the_cancelling_does_not_hide_it() -> None:
    """A group of tasks would raise only the error; whoever retries would go on for ever."""

    async def fail_when_cancelled() -> None:
        try:
            await asyncio.sleep(60)
        finally:
            raise ValueError("it failed on the way out")

    async def work() -> None:
        async with asyncio.TaskGroup() as group:
            group.create_task(fail_when_cancelled())

    task = asyncio.create_task(to_its_end(work()))
    await asyncio.sleep(0)
    await asyncio.sleep(0)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task


async def test_what_the_work_raises_is_raised() -> None:
    """Without a cancelling nothing is different."""

    async def fail() -> None:
        raise ValueError("it failed")

    with pytest.raises(ValueError, match="it failed"):
        await to_its_end(fail())
