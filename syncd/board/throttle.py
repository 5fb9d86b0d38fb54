"""How often somebody may guess: a few times a minute each, and not much more all together. Pure.

Owns: the counting, within bounded memory. Must not: read a clock; times are passed in.
"""

import ipaddress
from collections import deque

WINDOW_S = 60.0
EACH_MAX = 5
ALL_MAX = 30  # with many addresses, too: a million guesses take three weeks
KEYS_MAX = 512


class Throttle:
    """Counts tries by the address they come from. A right guess clears its own address."""

    def __init__(self) -> None:
        self._by_key: dict[str, deque[float]] = {}
        self._all: deque[float] = deque()

    def wait_s(self, address: str, now_s: float) -> float:
        """Count a try and return 0.0, or return after how many seconds it may be made."""
        key = key_of(address)
        # Popped and put back: the key that was used longest ago is the first, and goes first.
        own = self._by_key.pop(key, deque())
        for times in (own, self._all):
            while times and times[0] <= now_s - WINDOW_S:
                times.popleft()
        wait_s = max(_wait_s(own, EACH_MAX, now_s), _wait_s(self._all, ALL_MAX, now_s))
        if wait_s == 0.0:
            own.append(now_s)
            self._all.append(now_s)
        if own:
            self._by_key[key] = own
        while len(self._by_key) > KEYS_MAX:
            del self._by_key[next(iter(self._by_key))]
        return wait_s

    def forgive(self, address: str) -> None:
        """Forget the tries of an address that guessed right."""
        self._by_key.pop(key_of(address), None)


def _wait_s(times: deque[float], most: int, now_s: float) -> float:
    return 0.0 if len(times) < most else max(0.001, times[0] + WINDOW_S - now_s)


def key_of(address: str) -> str:
    """Return what counts as one asker: an IPv4 address, or the /64 that one IPv6 host may roam."""
    try:
        found = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if isinstance(found, ipaddress.IPv4Address):
        return str(found)
    if found.ipv4_mapped is not None:
        return str(found.ipv4_mapped)
    return str(ipaddress.ip_network((found, 64), strict=False))
