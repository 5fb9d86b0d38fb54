"""Whose turn it is among the strangers that ask to pair: shared out by host, few at a time.

Owns: who waits, who has the next turn, who is in an exchange, who goes when there are too many, and
how often each host asked and typed nothing. Must not: know what is said, or wait itself.

A box that pairs says who it is at once, waits for its turn, and types one code. So who says nothing
only pushes out others that say nothing, those of his own host first; a turn is the one's whose host
had none for longest, and a box that no other host speaks for is next. Whoever has had his turn
keeps his place in an exchange longer than others of a host that has more of them.
"""

from collections.abc import Callable

from syncd.ports import Clock
from syncd.wire.hosts import host_key
from syncd.wire.porch import Guest, Porch

WAITING_MAX = 64  # a connection each; of one host, if no other asks
EXCHANGES_MAX = 4
HOSTS_MAX = 64  # that are remembered


class PairingLine:
    """The places of one port. Those who come are guests: of a host, and with what ends them."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._waiting = Porch(clock, WAITING_MAX)
        self._talking = Porch(clock, EXCHANGES_MAX)
        self._asking: dict[Guest, Callable[[], None]] = {}
        self._last_turn_s: dict[str, float] = {}

    def __len__(self) -> int:
        return len(self._waiting) + len(self._talking)

    def come(self, guest: Guest) -> None:
        """Take in one that has said nothing yet; if that is one too many, another one is ended."""
        self._waiting.take_in(guest)

    def ask(self, guest: Guest, begin: Callable[[], None]) -> None:
        """Give a turn to one that has said who it is, when it is its turn: begin is called then."""
        self._asking[guest] = begin

    @property
    def is_empty(self) -> bool:
        """Whether nobody waits for a turn."""
        return not self._asking

    def next_turn(self) -> None:
        """Begin with the one whose host had none for longest; nothing if nobody waits."""
        if not self._asking:
            return
        guest = min(self._asking, key=lambda each: self._last_turn_s.get(each.host, -1.0))
        begin = self._asking.pop(guest)
        _remember(self._last_turn_s, guest.host, self._clock.monotonic_s())
        self._waiting.leave(guest)
        self._talking.take_in(guest)
        begin()

    def leave(self, guest: Guest) -> None:
        """Count one no more: it has gone, or it has typed a code and only waits for the answer."""
        self._asking.pop(guest, None)
        self._waiting.leave(guest)
        self._talking.leave(guest)

    def end_all(self) -> None:
        """End everybody that is here."""
        self._asking.clear()
        self._waiting.end_all()
        self._talking.end_all()


class Askers:
    """How often each host asked to pair, had its chance, and typed nothing."""

    def __init__(self) -> None:
        self._counts: dict[str, float] = {}

    def note(self, host: str) -> int:
        """Count one; return how many of this host there are now."""
        count = self._counts.get(host_key(host), 0) + 1
        _remember(self._counts, host_key(host), count)
        return int(count)

    def most(self) -> tuple[str, int] | None:
        """Return the host that did so most often, and how often; None: none did."""
        if not self._counts:
            return None
        host = max(self._counts, key=lambda each: self._counts[each])
        return host, int(self._counts[host])


def _remember(known: dict[str, float], host: str, value: float) -> None:
    """Set the value of a host; of too many, the one that was set longest ago is forgotten."""
    known.pop(host, None)
    known[host] = value
    if len(known) > HOSTS_MAX:
        del known[next(iter(known))]
