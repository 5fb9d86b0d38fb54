"""What happens to this machine under a daemon: plugs and addresses come and go, lids are closed.

Owns: noticing it soon, from the kernel's own word where there is one (netlink on Linux), else by
looking. Must not: know what a connection is; whoever has some is told that something changed.

A suspended machine's monotonic clock stands still, the one that counts sleep does not; where there
is none, wall time is compared. A clock that was set then looks like sleep, which does no harm. A
process that was stopped, or got no processor for long, has missed as much: it counts as sleep, too.
"""

import asyncio
import logging
import socket
import time
from collections.abc import Callable, Iterable
from pathlib import Path

import ifaddr

from syncd.bell import Bell
from syncd.edges.clock import to_a_tick
from syncd.wire.announcement import Place, usable_places

log = logging.getLogger(__name__)

LOOK_S = 0.5  # without the kernel's word this is how late a plug is noticed
HEARD_LOOK_S = 5.0  # with it there is nothing to see in between; and this late if it got lost
STOOD_STILL_S = 5.0  # shorter than a dead peer takes to be noticed
_GROUPS = 0x1 | 0x10 | 0x100  # rtnetlink(7): RTMGRP_LINK, RTMGRP_IPV4_IFADDR, RTMGRP_IPV6_IFADDR
_CLOCK = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_REALTIME)

Way = tuple[str, str]  # interface and address


class Changes:
    """Watches until cancelled.

    changed: called on the loop with what happened, in words.
    look, slept_s: the ways in which this machine is asked.
    """

    def __init__(
        self,
        changed: Callable[[str], None],
        *,
        look: Callable[[], frozenset[Way]] | None = None,
        slept_s: Callable[[], float] | None = None,
    ) -> None:
        self._changed = changed
        self._look = look or ways
        self._slept_s = slept_s or sleep_so_far_s
        self._bell = Bell()
        self._is_told = False

    async def run(self) -> None:
        """Watch until cancelled."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._hear_kernel(), name="changes-kernel")
            group.create_task(self._watch(), name="changes-watch")

    async def _watch(self) -> None:
        known = await asyncio.to_thread(self._look)
        slept_s, at_s = self._slept_s(), time.monotonic()
        due_s = at_s
        while True:
            rung = await self._bell.wait(to_a_tick(LOOK_S, time.monotonic()))
            away_s = (self._slept_s() - slept_s) + max(0.0, time.monotonic() - at_s - LOOK_S)
            slept_s, at_s = self._slept_s(), time.monotonic()
            if self._is_told and not rung and away_s < STOOD_STILL_S and at_s < due_s:
                continue
            due_s = at_s + HEARD_LOOK_S
            now = await asyncio.to_thread(self._look)
            if away_s >= STOOD_STILL_S:
                self._tell(f"this box slept, or stood still, for {away_s:.0f} s")
            elif now != known:
                self._tell(_difference(known, now))
            known = now

    def _tell(self, what: str) -> None:
        log.info("connections are made anew: %s", what)
        self._changed(what)

    async def _hear_kernel(self) -> None:
        """Ring at every word of the kernel about links and addresses."""
        try:
            listening = socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, socket.NETLINK_ROUTE)
        except (AttributeError, OSError) as error:
            log.info("links are looked at every %s s: %s", LOOK_S, error)
            return
        with listening:
            listening.setblocking(False)
            listening.bind((0, _GROUPS))
            self._is_told = True
            while True:
                try:
                    await asyncio.get_running_loop().sock_recv(listening, 65_536)
                except OSError:  # ENOBUFS: more than it could keep; all the more reason to look
                    log.debug("the kernel had more to say than we could hear")
                self._bell.ring()


def sleep_so_far_s() -> float:
    """Return for how long this machine has slept since it was started, more or less."""
    return time.clock_gettime(_CLOCK) - time.monotonic()


def ways() -> frozenset[Way]:
    """Return the interfaces whose cable is in and that lead to other boxes, with their addresses.

    Bridges and tunnels are left out: with containers on a box they come and go all day; and so are
    IPv6 addresses of the link alone, which come a second after the plug and which nobody dials.
    Blocks for a moment.
    """
    found = [
        Place(adapter.nice_name, str(ip.ip[0] if isinstance(ip.ip, tuple) else ip.ip))
        for adapter in ifaddr.get_adapters()
        if has_carrier(adapter.nice_name)
        for ip in adapter.ips
    ]
    return frozenset(
        (place.interface, place.address)
        for place in usable_places(found, ())
        if not place.address.lower().startswith("fe80:")
    )


def has_carrier(interface: str) -> bool:
    """Read the kernel's word on the cable; where there is none to read, believe in the address."""
    try:
        return Path("/sys/class/net", interface, "carrier").read_text().strip() != "0"
    except (OSError, ValueError):
        return True


def _difference(before: Iterable[Way], now: Iterable[Way]) -> str:
    came, went = set(now) - set(before), set(before) - set(now)
    words = [f"{address} on {name} is there" for name, address in sorted(came)]
    words += [f"{address} on {name} has gone" for name, address in sorted(went)]
    return ", ".join(words)
