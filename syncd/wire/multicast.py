"""Does multicast pass on this machine? Tried with two nodes that have nothing to say.

Owns: the trial. Must not: stay on the network, or say why it does not pass.
"""

import asyncio
from collections.abc import Iterable

from syncd.ports import Clock
from syncd.wire.announcement import Announcement
from syncd.wire.discovery import Discovery, Found


async def works_here(clock: Clock, interfaces: Iterable[str] = (), *, limit_s: float = 4.0) -> bool:
    """Tell whether multicast passes here: one node announces itself, another one hears it."""
    heard = asyncio.Event()
    wanted = tuple(interfaces)

    def node(number: int, found: Found) -> Discovery:
        return Discovery(
            name=f"probe-{number}",
            fingerprint=f"sha256:{number:064x}",
            roles=(),
            port=9,  # RFC 863, discard: nobody is meant to come
            clock=clock,
            found=found,
            lost=lambda _: None,
            interfaces=wanted,
        )

    def hears(said: Announcement, _: object) -> None:
        if said.fingerprint == f"sha256:{1:064x}":
            heard.set()

    nodes = (node(1, lambda *_: None), node(2, hears))
    tasks = [asyncio.create_task(n.run(), name=f"multicast-probe-{n.state}") for n in nodes]
    try:
        async with asyncio.timeout(limit_s):
            await heard.wait()
        return True
    except TimeoutError:
        return False
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
