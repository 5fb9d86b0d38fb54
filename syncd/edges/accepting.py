"""A box that has no descriptors left says so once, not every second for each port.

Owns: the loop's word on connections that it cannot accept. The loop itself rests for a second and
tries again, so nothing but the log has to be mended.
"""

import asyncio
import logging
from typing import Any

from syncd.ports import Clock
from syncd.repeats import Repeats

log = logging.getLogger(__name__)

NO_DESCRIPTORS = "out of system resource"  # as asyncio's selector loop words it


def log_refused_accepts_rarely(loop: asyncio.AbstractEventLoop, clock: Clock) -> None:
    """Have the loop pass on everything but the same trouble over and over."""
    repeats = Repeats(log, clock)

    def handle(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        if NO_DESCRIPTORS not in str(context.get("message", "")):
            loop.default_exception_handler(context)
            return
        text = f"No connection can be accepted: {context.get('exception')}. Raise LimitNOFILE."
        repeats.trouble("accept", text)

    loop.set_exception_handler(handle)
