"""Opening TCP connections soon after a link is back, and noticing soon when one is dead.

Owns: how often a connection is asked for, and the keepalive and user timeout of the control plane.
Must not: know peers, TLS or lanes.

A SYN that was lost is repeated by the system after 1, 3 and 7 s: too late for a cable that is back
after 1.1. So another connection is asked for every SYN_EVERY_S beside the first, and the one that
is answered first is kept.
"""

import asyncio
import socket
import sys
from collections.abc import Iterable
from contextlib import suppress
from typing import Any

from syncd.limits import CONNECT_TIMEOUT_S, DEAD_AFTER_S, SYN_EVERY_S

KEEPALIVE_IDLE_S = 2
KEEPALIVE_INTERVAL_S = 1
KEEPALIVE_PROBES = 3
# On the control plane. Where we dial, greetings find a dead peer first, and know more of it.
DIALLED_TIMEOUT_S = DEAD_AFTER_S + 1
ACCEPTED_TIMEOUT_S = DEAD_AFTER_S - 1
DARWIN_TCP_RXT_CONNDROPTIME = 0x80  # netinet/tcp.h; Python has no name for it

Attempts = set["asyncio.Task[socket.socket]"]


async def open_socket(host: str, port: int) -> socket.socket:
    """Return a connected socket that does not block. Raises OSError, TimeoutError among them."""
    loop = asyncio.get_running_loop()
    ends_s = loop.time() + CONNECT_TIMEOUT_S
    async with asyncio.timeout_at(ends_s):  # names are looked up, too
        found = await loop.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    attempts: Attempts = set()
    try:
        while (left_s := ends_s - loop.time()) > 0:
            for family, _, _, _, address in dict.fromkeys(found):
                attempts.add(asyncio.create_task(_connect(family, address), name=f"syn-{host}"))
            connected = await _first_answer(attempts, min(SYN_EVERY_S, left_s))
            if connected is not None:
                return connected
        raise TimeoutError(f"no answer in {CONNECT_TIMEOUT_S:.0f} s")
    finally:
        await _drop(attempts)


async def _first_answer(attempts: Attempts, timeout_s: float) -> socket.socket | None:
    """Return the first that connects; raises OSError once all have failed."""
    loop = asyncio.get_running_loop()
    ends_s = loop.time() + timeout_s
    while (left_s := ends_s - loop.time()) > 0:
        done, _ = await asyncio.wait(attempts, timeout=left_s, return_when=asyncio.FIRST_COMPLETED)
        for task in done:
            attempts.discard(task)
            if task.exception() is None:
                return task.result()
            if not attempts:
                task.result()
    return None


async def _connect(family: int, address: Any) -> socket.socket:
    connecting = socket.socket(family, socket.SOCK_STREAM)
    try:
        connecting.setblocking(False)
        await asyncio.get_running_loop().sock_connect(connecting, address)
    except BaseException:
        connecting.close()
        raise
    return connecting


async def _drop(attempts: Iterable["asyncio.Task[socket.socket]"]) -> None:
    """End what is still under way; one that got through in this very moment is closed."""
    for task in attempts:
        task.cancel()
    for outcome in await asyncio.gather(*attempts, return_exceptions=True):
        if isinstance(outcome, socket.socket):
            outcome.close()


def notice_dead_hosts(connected: Any, *, user_timeout_s: float) -> None:
    """Have the system probe an idle connection, and end one whose data nobody acknowledges.

    connected: a socket, or one that listens: what it accepts has the same options.
    user_timeout_s: 0 if the other end may leave data unread for long, and be well.
    """
    connected.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    is_darwin = sys.platform == "darwin"
    for name, value in (
        ("TCP_KEEPALIVE" if is_darwin else "TCP_KEEPIDLE", KEEPALIVE_IDLE_S),
        ("TCP_KEEPINTVL", KEEPALIVE_INTERVAL_S),
        ("TCP_KEEPCNT", KEEPALIVE_PROBES),
        ("TCP_USER_TIMEOUT", int(user_timeout_s * 1000)),
    ):
        option = getattr(socket, name, None)
        if option is not None:
            connected.setsockopt(socket.IPPROTO_TCP, option, value)
    if is_darwin and user_timeout_s:
        with suppress(OSError):  # a socket that listens has no such option
            connected.setsockopt(
                socket.IPPROTO_TCP, DARWIN_TCP_RXT_CONNDROPTIME, int(user_timeout_s)
            )
