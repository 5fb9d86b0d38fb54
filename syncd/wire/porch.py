"""The porch of a port: connections that have not proved yet who they are.

Owns: how many of them there may be, and which one goes when there is one too many: the oldest of
the host that has the most, so that a host which holds ten thousand open only pushes out its own.
Whoever has proved itself has left the porch, and counts here no more. Must not: know sockets; each
connection comes with what ends it. On the event loop only.
"""

from collections.abc import Callable
from dataclasses import dataclass

from syncd.limits import UNPROVED_MAX
from syncd.wire.hosts import host_key


@dataclass(eq=False, slots=True)
class Guest:
    """One connection. end: ends it. is_gone: tells that it ended by itself."""

    host: str
    end: Callable[[], object]
    is_gone: Callable[[], bool] = lambda: False


class Porch:
    """Oldest first. cut: how many were ended because there was one too many."""

    def __init__(self, guests_max: int | None = None) -> None:
        self.cut = 0
        self._guests_max = guests_max or UNPROVED_MAX
        self._guests: dict[Guest, None] = {}

    def __len__(self) -> int:
        return len(self._guests)

    def take_in(self, guest: Guest) -> None:
        """Let one more wait here; if that is one too many, another one is ended."""
        guest.host = host_key(guest.host)
        self._guests[guest] = None
        if len(self._guests) <= self._guests_max:
            return
        for each in [each for each in self._guests if each.is_gone()]:
            self.leave(each)
        if len(self._guests) > self._guests_max:
            self.make_room()

    def make_room(self) -> bool:
        """End the oldest of the host that has the most; tell whether there was one."""
        counts: dict[str, int] = {}
        for guest in self._guests:
            counts[guest.host] = counts.get(guest.host, 0) + 1
        most = max(counts.values(), default=0)
        for guest in self._guests:
            if counts[guest.host] == most:
                self.leave(guest)
                self.cut += 1
                guest.end()
                return True
        return False

    def leave(self, guest: Guest) -> None:
        """Count a connection no more; it has ended, or proved who it is."""
        self._guests.pop(guest, None)

    def end_all(self) -> None:
        """End every connection that waits here."""
        while self._guests:
            guest = next(iter(self._guests))
            self.leave(guest)
            guest.end()
