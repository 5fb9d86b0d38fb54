"""Announcing this node on the local network, and hearing of others, by multicast DNS.

Owns: one zeroconf instance, rebuilt when addresses go and come back; who is there is passed on as
a hint (PeerBook.found and PeerBook.lost have the right shape). Must not: trust anything it hears.

A service announced while the cable was out is never heard of again by itself, so: addresses and
carriers are polled, a change that lasts re-announces and starts a new browser, and so does every
minute in which a paired peer is missing. IPv4 only: zeroconf calls its own IPv6 limited, and an
IPv6 address can always be typed into [[peer]]. All errors of the network are logged and tried
again; a daemon never stops because of discovery. Cancelling run() says goodbye: the first thing to
do when closing.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable, Iterable
from typing import Any

import ifaddr
from zeroconf import Error as ZeroconfError
from zeroconf import IPVersion, ServiceStateChange
from zeroconf.asyncio import (
    AsyncServiceBrowser,
    AsyncServiceInfo,
    AsyncZeroconf,
)

from syncd.bell import Bell
from syncd.edges.changes import has_carrier
from syncd.ports import Clock
from syncd.repeats import Repeats
from syncd.roll.names import shown
from syncd.wire.announcement import (
    SERVICE_TYPE,
    Announcement,
    Place,
    bound_places,
    instance_name,
    read_announcement,
    txt_record,
    usable_places,
)
from syncd.wire.peers import ADDRESSES_MAX, Address

log = logging.getLogger(__name__)

POLL_S = 2.0
SETTLING_POLL_S = 0.5
LOOK_AGAIN_S = 60.0  # while a paired peer is missing; RFC 6762 8.4 allows ten updates a minute
REBUILD_BASE_S, REBUILD_CAP_S = 2.0, 60.0
RESOLVE_TIMEOUT_MS = 3000
RESOLVERS = 4
NAMES_WAITING_MAX = 256
NAMES_KNOWN_MAX = 256
ODD_NAMES_MAX = 8  # told by name within ODD_NAME_S; anybody can announce any number
ODD_NAME_S = 3600.0
GOODBYE_TIMEOUT_S = 1.5

Names = asyncio.Queue[tuple[str, ServiceStateChange]]
Found = Callable[[Announcement, tuple[Address, ...]], None]
NETWORK_ERRORS = (OSError, RuntimeError, ZeroconfError, asyncio.TimeoutError)


class OneLine(logging.Filter):
    """Takes the traceback off what zeroconf logs of the network: one line says it all."""

    def filter(self, record: logging.LogRecord) -> bool:
        if record.exc_info and isinstance(record.exc_info[1], OSError):
            record.exc_info = None
        return True


logging.getLogger("zeroconf").addFilter(OneLine())


class Discovery:
    """Runs as one task: run() until cancelled.

    found: called with what somebody says of itself, and its addresses.
    lost: called with the fingerprint of one that said goodbye.
    is_expected: tells by its name whether it may be a paired peer; such are not made to wait
    behind others.
    misses_someone: tells whether it is worth looking again.
    interfaces: names or addresses to use instead of all that lead to other boxes.
    host: what the control port is bound to; an address at which nothing listens is not announced.
    state: one word for the board: off, waiting (for a network), announcing, announced, listening
    (where there is no address to announce).
    rebuilds: how often the network had to be opened anew.
    """

    def __init__(
        self,
        *,
        name: str,
        fingerprint: str,
        roles: Iterable[str],
        port: int,
        clock: Clock,
        found: Found,
        lost: Callable[[str], None],
        misses_someone: Callable[[], bool] = lambda: False,
        is_expected: Callable[[str], bool] = lambda _: False,
        interfaces: Iterable[str] = (),
        host: str = "0.0.0.0",  # noqa: S104 - said, not bound
    ) -> None:
        self.state = "off"
        self.rebuilds = 0
        self._instance = instance_name(name, fingerprint)
        self._fingerprint = fingerprint
        self._roles = tuple(roles)
        self._txt = txt_record(fingerprint, self._roles)
        self._host = host
        self._port = port
        self._clock = clock
        self._found = found
        self._lost = lost
        self._misses_someone = misses_someone
        self._interfaces = tuple(interfaces)
        self._is_expected = is_expected
        self._expected: Names = asyncio.Queue(NAMES_WAITING_MAX)
        self._others: Names = asyncio.Queue(NAMES_WAITING_MAX)
        self._waiting: set[tuple[str, ServiceStateChange]] = set()
        self._odd: dict[str, float] = {}  # name: when it may be told by itself no more
        self._known: dict[str, str] = {}  # instance name: fingerprint
        self._places: tuple[Place, ...] = ()
        self._seen: tuple[Place, ...] = ()
        self._zeroconf: AsyncZeroconf | None = None
        self._browser: AsyncServiceBrowser | None = None
        self._info: AsyncServiceInfo | None = None
        self._look_again_at_s = 0.0
        self._is_urged = False
        self._bell = Bell()
        self._rebuild_at_s = 0.0
        self._rebuild_wait_s = REBUILD_BASE_S
        self._repeats = Repeats(log, clock)

    async def run(self) -> None:
        """Announce and listen until cancelled; then say goodbye."""
        self.state = "waiting"
        try:
            async with asyncio.TaskGroup() as group:
                for number in range(RESOLVERS):
                    names = self._expected if number == 0 else self._others
                    resolving = self._resolve_names(names)
                    group.create_task(resolving, name=f"discovery-resolver-{number}")
                group.create_task(self._follow_network(), name="discovery-network")
        finally:
            await self._close()
            self.state = "off"

    def look_again(self) -> None:
        """Announce and browse anew, now: what was said while a cable was out, nobody heard."""
        self._is_urged = True
        self._bell.ring()

    def say_pairing(self, is_pairing: bool) -> None:
        """Say from now on whether a pairing code is shown here: a hint where to type it."""
        self._txt = txt_record(self._fingerprint, self._roles, is_pairing=is_pairing)
        self.look_again()

    # The network under it

    async def _follow_network(self) -> None:
        while True:
            places = usable_places(await asyncio.to_thread(look_for_places), self._interfaces)
            # A change counts when it is there twice in a row: a flapping plug is left to settle.
            is_steady = places == self._seen or self._zeroconf is None
            self._seen = places
            try:
                if is_steady:
                    await self._adapt(places)
            except NETWORK_ERRORS as error:
                await self._start_over(error)
            await self._bell.wait(POLL_S if is_steady else SETTLING_POLL_S)

    async def _adapt(self, places: tuple[Place, ...]) -> None:
        """Bring zeroconf in line with the addresses that there are."""
        now_s = self._clock.monotonic_s()
        if not places:
            await self._close()
            self.state = "waiting"
        elif self._zeroconf is None:
            if now_s >= self._rebuild_at_s:
                await self._build(places)
        elif places != self._places:
            log.info("Addresses changed: announcing on %s", _text(places))
            await self._zeroconf.async_update_interfaces([p.address for p in places])
            self._places = places
            await self._announce_again()
        elif self._is_urged or (now_s >= self._look_again_at_s and self._misses_someone()):
            await self._announce_again()

    async def _build(self, places: tuple[Place, ...]) -> None:
        self.state = "announcing"
        self.rebuilds += 1
        self._places = places
        addresses: list[Any] = [place.address for place in places]
        self._zeroconf = AsyncZeroconf(interfaces=addresses, ip_version=IPVersion.V4Only)
        await self._zeroconf.zeroconf.async_wait_for_start()
        await self._browse()
        announced = await self._say()
        self._rebuild_wait_s = REBUILD_BASE_S
        self._look_again_at_s = self._clock.monotonic_s() + LOOK_AGAIN_S
        await announced
        self.state = "listening" if self._info is None else "announced"
        self._repeats.well("discovery", "Discovery works again")
        if self._info is not None:
            log.info("Announced as %s on %s", self._info.name, _text(self._announced_places()))
        else:
            text = "Not announced, only listening on %s: node.control is bound to %s"
            log.info(text, _text(places), self._host)

    async def _announce_again(self) -> None:
        """Say again who we are and ask again who is there; a new browser asks anew."""
        assert self._zeroconf is not None, "there is something to announce on"
        self._is_urged = False
        self._look_again_at_s = self._clock.monotonic_s() + LOOK_AGAIN_S
        announced = await self._say()
        await self._browse()
        await announced
        self.state = "listening" if self._info is None else "announced"

    def _announced_places(self) -> tuple[Place, ...]:
        return bound_places(self._places, self._host)

    async def _say(self) -> Awaitable[Any]:
        """Begin to say who we are and at which addresses; nothing if none is bound."""
        assert self._zeroconf is not None, "there is something to announce on"
        before, self._info = self._info, None
        if not self._announced_places():
            return _nothing() if before is None else await self._unsay(before)
        if before is None:
            self._info = self._service_info(self._instance)
            return await self._zeroconf.async_register_service(self._info, allow_name_change=True)
        self._info = self._service_info(before.name.removesuffix("." + SERVICE_TYPE))
        return await self._zeroconf.async_update_service(self._info)

    async def _unsay(self, info: AsyncServiceInfo) -> Awaitable[Any]:
        assert self._zeroconf is not None, "it was announced on something"
        return await self._zeroconf.async_unregister_service(info)

    async def _browse(self) -> None:
        assert self._zeroconf is not None, "there is something to listen on"
        if self._browser is not None:
            await self._browser.async_cancel()
        self._browser = AsyncServiceBrowser(
            self._zeroconf.zeroconf, SERVICE_TYPE, handlers=[self._on_change]
        )

    def _service_info(self, instance: str) -> AsyncServiceInfo:
        return AsyncServiceInfo(
            SERVICE_TYPE,
            f"{instance}.{SERVICE_TYPE}",
            port=self._port,
            properties=self._txt,
            server=f"syncd-{self._txt['fp'].hex()[:12]}.local.",
            parsed_addresses=[place.address for place in self._announced_places()],
        )

    async def _start_over(self, error: BaseException) -> None:
        """Close everything after an error, and wait longer each time before opening it anew."""
        self._repeats.trouble("discovery", f"Discovery failed and is tried again: {error}")
        await self._close()
        self.state = "waiting"
        self._rebuild_at_s = self._clock.monotonic_s() + self._rebuild_wait_s
        self._rebuild_wait_s = min(2 * self._rebuild_wait_s, REBUILD_CAP_S)

    async def _close(self) -> None:
        """Say goodbye, as far as there is still a network to say it on."""
        zeroconf, self._zeroconf = self._zeroconf, None
        browser, self._browser = self._browser, None
        self._places = ()
        self._info = None
        if zeroconf is None:
            return
        try:
            async with asyncio.timeout(GOODBYE_TIMEOUT_S):
                if browser is not None:
                    await browser.async_cancel()
                await zeroconf.async_close()
        except NETWORK_ERRORS as error:
            log.info("Could not say goodbye: %s", error or type(error).__name__)
            zeroconf.zeroconf.engine.close()

    # What is heard

    def _on_change(
        self,
        zeroconf: Any,  # noqa: ARG002 - the names of these four are the library's
        service_type: str,  # noqa: ARG002
        name: str,
        state_change: ServiceStateChange,
    ) -> None:
        """Only queue the name: this runs inside the library's own reading of a packet."""
        said = (name, state_change)
        if said in self._waiting:
            return
        try:
            (self._expected if self._is_expected(name) else self._others).put_nowait(said)
        except asyncio.QueueFull:
            text = "More names are announced at once than can be looked at; some are left out"
            self._repeats.trouble("names", text)
        else:
            self._waiting.add(said)

    async def _resolve_names(self, names: Names) -> None:
        while True:
            name, change = said = await names.get()
            self._waiting.discard(said)
            try:
                if change is ServiceStateChange.Removed:
                    self._removed(name)
                else:
                    await self._resolve(name)
            except NETWORK_ERRORS as error:
                self._tell(name, f"Could not resolve {name[:80]!a}: {_said(error)}")
            except ValueError as error:
                self._tell(name, f"Left out the announcement {name[:80]!a}: {_said(error)}")

    def _tell(self, name: str, text: str) -> None:
        """Log what is odd about a name; of many names, that there are many."""
        now_s = self._clock.monotonic_s()
        self._odd = {known: ends_s for known, ends_s in self._odd.items() if ends_s > now_s}
        if name in self._odd or len(self._odd) < ODD_NAMES_MAX:
            self._odd.setdefault(name, now_s + ODD_NAME_S)
            self._repeats.trouble(name, text)
            return
        others = "More announcements make no sense than can be told one by one; they are left out"
        self._repeats.trouble("odd", others)

    def _removed(self, name: str) -> None:
        fingerprint = self._known.pop(name, None)
        if fingerprint is not None and fingerprint not in self._known.values():
            self._lost(fingerprint)

    async def _resolve(self, name: str) -> None:
        """Ask for address and TXT record, and pass them on. Raises ValueError if it is not ours."""
        if self._zeroconf is None:
            return
        info = AsyncServiceInfo(SERVICE_TYPE, name)
        if not await info.async_request(self._zeroconf.zeroconf, RESOLVE_TIMEOUT_MS):
            text = f"{name[:80]!a} is announced and does not say where it is"
            self._tell(name, text)
            return
        said = read_announcement(name, info.properties)
        hosts = info.parsed_scoped_addresses(IPVersion.V4Only)[:ADDRESSES_MAX]
        if not hosts or not info.port:
            raise ValueError("it has no address")
        if len(self._known) < NAMES_KNOWN_MAX:
            self._known[name] = said.fingerprint
        addresses = tuple((host, info.port) for host in hosts)
        self._found(said, addresses)


async def _nothing() -> None:
    """Be what is awaited where nothing is said."""


def _said(error: BaseException) -> str:
    """Return what went wrong; the library quotes the name as it came."""
    return shown(str(error)[:200])


def look_for_places() -> list[Place]:
    """Return the IPv4 addresses of every interface whose cable is in. Blocks for a moment."""
    return [
        Place(adapter.nice_name, str(ip.ip))
        for adapter in ifaddr.get_adapters()
        if has_carrier(adapter.nice_name)
        for ip in adapter.ips
        if ip.is_IPv4
    ]


def _text(places: Iterable[Place]) -> str:
    return ", ".join(f"{place.address} ({place.interface})" for place in places)
