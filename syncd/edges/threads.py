"""Lanes in threads of their own: the bulk plane's way around the event loop.

Owns: the thread of each lane, from its start to the moment its outcome is known on the loop.
"""

import asyncio
import threading
import traceback
from collections.abc import Coroutine
from typing import Any

from syncd.edges.memory import end_if_out_of_memory
from syncd.edges.tcp import TcpLink, connect


class ThreadLines:
    """Implements ports.Lines.

    Threads are daemons: a storage that hangs in the kernel must not keep the program from ending.
    What such a thread has not committed counts for nothing.
    """

    async def dial(self, host: str, port: int) -> TcpLink:
        """Open a connection, on the event loop. Raises LinkLostError."""
        return await connect(host, port)

    async def run(self, name: str, lane: Coroutine[Any, Any, None]) -> None:
        """Run lane in a thread; return when it has ended, or raise what it raised."""
        loop = asyncio.get_running_loop()
        outcome: asyncio.Future[None] = loop.create_future()
        thread = threading.Thread(target=_run, args=(lane, loop, outcome), name=name, daemon=True)
        try:
            thread.start()
        except RuntimeError:
            lane.close()
            raise
        try:
            await outcome
        finally:
            if not outcome.cancelled():
                thread.join()  # it has nothing left to do


def _run(
    lane: Coroutine[Any, Any, None],
    loop: asyncio.AbstractEventLoop,
    outcome: "asyncio.Future[None]",
) -> None:
    """Drive lane to its end and tell the loop, if there still is one."""
    error: BaseException | None = None
    try:
        drive(lane)
    except BaseException as raised:  # noqa: BLE001 - it is raised again where the lane is awaited
        end_if_out_of_memory(raised)
        _let_go(raised)
        error = raised
    try:
        loop.call_soon_threadsafe(_settle, outcome, error)
    except RuntimeError:
        return  # the loop was closed: nobody waits any more


def _let_go(error: BaseException | None) -> None:
    """Empty the frames that an error has passed: a lane's buffers lie there, megabytes of them.

    Whoever gets the error holds it in cycles for a long time (a TaskGroup does by itself), and a
    cable that is pulled a hundred times would leave a hundred lanes' buffers behind.
    """
    while error is not None:
        traceback.clear_frames(error.__traceback__)
        error = error.__cause__ or error.__context__


def drive(lane: Coroutine[Any, Any, None]) -> None:
    """Run a coroutine that never suspends, here and now."""
    try:
        lane.send(None)
    except StopIteration:
        return
    lane.close()
    raise AssertionError("a lane in a thread waits in its link's calls, and nowhere else")


def _settle(outcome: "asyncio.Future[None]", error: BaseException | None) -> None:
    if outcome.done():
        return  # whoever waited was cancelled
    if error is None:
        outcome.set_result(None)
    else:
        outcome.set_exception(error)
