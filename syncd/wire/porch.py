"""The porch of a port: connections that have not proved yet who they are.

Owns: how many of them there may be, and which one goes when there is one too many: the oldest of
the host that has the most, so that a host which holds ten thousand open only pushes out its own.
Nobody goes before PORCH_STAY_S: until then no further one is accepted, and all wait in the system's
queue, which is short. So even one among ten thousand of its own host has the time to prove itself.
Whoever has proved itself has left the porch, and counts here no more. Must not: know sockets; each
connection comes with what ends it. On the event loop only.
"""

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import NoReturn, TypeVar

from syncd.limits import PORCH_LOOK_S, PORCH_STAY_S, RETRY_CAP_S, UNPROVED_MAX
from syncd.ports import Clock
from syncd.repeats import Repeats
from syncd.wire.hosts import host_key

T = TypeVar("T")


@dataclass(eq=False, slots=True)
class Guest:
    """One connection. end: ends it. is_gone: tells that it ended by itself."""

    host: str
    end: Callable[[], object]
    is_gone: Callable[[], bool] = lambda: False
    since_s: float = 0.0


class Porch:
    """Oldest first. cut: how many were ended because there was one too many."""

    def __init__(self, clock: Clock, guests_max: int | None = None) -> None:
        self.cut = 0
        self._clock = clock
        self._guests_max = guests_max or UNPROVED_MAX
        self._guests: dict[Guest, None] = {}

    def __len__(self) -> int:
        return len(self._guests)

    async def open(
        self,
        accept: Callable[[], Awaitable[T]],
        take: Callable[[T], None],
        *,
        port: str,
        repeats: Repeats,
    ) -> NoReturn:
        """Accept until cancelled. With no descriptor left, somebody here has to go.

        port: what to call it in the log.
        """
        while True:
            await self._until_somebody_may_go()
            try:
                came = await accept()
            except OSError as error:  # no descriptors left, or the connection is gone already
                repeats.trouble("accept", f"The {port} port cannot accept connections: {error}.")
                await self._clock.sleep(0.0 if self.make_room() else RETRY_CAP_S)
                continue
            repeats.well("accept", f"The {port} port accepts connections again")
            take(came)
            await self._clock.sleep(0.0)  # let whoever was cut for it be gone before the next

    def take_in(self, guest: Guest) -> None:
        """Let one more wait here; if that is one too many, another one is ended."""
        guest.host, guest.since_s = host_key(guest.host), self._clock.monotonic_s()
        self._guests[guest] = None
        if len(self._guests) > self._guests_max:
            self._forget_gone()
        if len(self._guests) > self._guests_max:
            self.make_room()

    def make_room(self) -> bool:
        """End the one who has to go next; tell whether there was one."""
        guest = self._next_to_go()
        if guest is None:
            return False
        self.leave(guest)
        self.cut += 1
        guest.end()
        return True

    def _next_to_go(self) -> Guest | None:
        """Return the oldest of the host that has the most."""
        counts: dict[str, int] = {}
        for guest in self._guests:
            counts[guest.host] = counts.get(guest.host, 0) + 1
        most = max(counts.values(), default=0)
        return next((guest for guest in self._guests if counts[guest.host] == most), None)

    def _forget_gone(self) -> None:
        for each in [each for each in self._guests if each.is_gone()]:
            self.leave(each)

    async def _until_somebody_may_go(self) -> None:
        """Wait while one more would cut somebody who has not had its time."""
        while len(self._guests) >= self._guests_max:
            self._forget_gone()
            guest = self._next_to_go()
            assert guest is not None, "it is full"
            left_s = guest.since_s + PORCH_STAY_S - self._clock.monotonic_s()
            if left_s <= 0:
                return
            await self._clock.sleep(min(left_s, PORCH_LOOK_S))

    def leave(self, guest: Guest) -> None:
        """Count a connection no more; it has ended, or proved who it is."""
        self._guests.pop(guest, None)

    def end_all(self) -> None:
        """End every connection that waits here."""
        while self._guests:
            guest = next(iter(self._guests))
            self.leave(guest)
            guest.end()
