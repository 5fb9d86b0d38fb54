"""Which parcel goes next, decided anew at every parcel; the most urgent roll first.

Owns: what is waiting, what is on which lane, what was confirmed, and what the lanes could not move.
Must not: do I/O, read a clock, or remember anything beyond a session: the peer knows what it lacks.

Thread-safe: lanes ask from threads of their own. on_change is called without the lock held.

A parcel is handed to one lane at a time. It leaves that lane when it is confirmed, when it could
not be moved, or when the lane is lost; after the last two it waits again. A roll of which
a parcel could not be moved stops until it is offered again.

The peer's answer to an offer and its confirmations travel apart. If it says that it lacks a parcel
that is on a lane, a confirmation may be older than that (the parcel was durable, then read back
wrong and forgotten), so that one is not believed and the parcel travels once more. So does one
that could not be moved: its source may have been put right before the offer.
"""

import heapq
import threading
from collections.abc import Callable, Collection
from dataclasses import dataclass
from typing import Protocol

from syncd.errors import HeldError
from syncd.roll.parcels import ParcelOrder
from syncd.roll.stages import HeldCode
from syncd.schedule.order import Place


class Lengths(Protocol):
    """The part of a ParcelPlan that matters here."""

    @property
    def count(self) -> int: ...

    def length_bytes(self, number: int) -> int: ...


@dataclass(frozen=True, slots=True)
class Outcome:
    """A roll that the lanes could not move any further, and why."""

    roll_id: str
    error: HeldError


class _Roll:
    """One roll on offer.

    waiting: a heap of numbers for the lanes; pending: all numbers not confirmed, waiting or not.
    """

    def __init__(self, place: Place, plan: Lengths) -> None:
        self.place = place
        self.plan = plan
        self.total_bytes = sum(plan.length_bytes(number) for number in range(plan.count))
        self.waiting: list[int] = []
        self.pending: set[int] = set()
        self.pending_bytes = 0
        self.paused = False
        self.stopped = False


class Feed:
    """The parcels of all rolls on offer to one peer. Implements wire.lane.ParcelFeed."""

    def __init__(self, on_change: Callable[[], None]) -> None:
        self._on_change = on_change
        self._lock = threading.Lock()
        self._rolls: dict[str, _Roll] = {}
        self._paused = False
        self._in_flight: dict[ParcelOrder, int] = {}
        self._doubtful: set[ParcelOrder] = set()
        self._lost: set[ParcelOrder] = set()
        self._outcomes: list[Outcome] = []
        self._total_moved_bytes = 0
        self._resent_bytes = 0

    # For the hand-over

    def offer(self, roll_id: str, place: Place, lacking: Collection[int], plan: Lengths) -> None:
        """Put a roll up, or put it up anew with what the peer lacks now; a pause stays."""
        roll = _Roll(place, plan)
        roll.pending = set(lacking)
        roll.pending_bytes = sum(plan.length_bytes(number) for number in roll.pending)
        with self._lock:
            known = self._rolls.get(roll_id)
            roll.paused = known is not None and known.paused
            flying = {order for order in self._in_flight if order.roll_id == roll_id}
            self._doubtful -= flying
            self._doubtful |= {order for order in flying if order.number in roll.pending}
            # Sorted, a list is a heap.
            roll.waiting = sorted(roll.pending - {order.number for order in flying})
            self._rolls[roll_id] = roll

    def withdraw(self, roll_id: str) -> None:
        """Hand out no more of a roll; what is on a lane ends as it ends. Unknown is fine."""
        with self._lock:
            self._rolls.pop(roll_id, None)
            self._lost = {order for order in self._lost if order.roll_id != roll_id}

    def await_offers(self) -> None:
        """Hand out nothing until offered anew: the link broke, and what the peer lacks is unknown.

        What would be handed out meanwhile could only be doubted, and would travel once more.
        """
        with self._lock:
            for roll in self._rolls.values():
                roll.stopped = True

    def reorder(self, roll_id: str, place: Place) -> None:
        """Give a roll another place, from the next parcel on. Unknown is fine."""
        with self._lock:
            if roll_id in self._rolls:
                self._rolls[roll_id].place = place

    def pause(self, roll_id: str | None) -> None:
        """Hand out nothing of one roll, or with None of any, until go()."""
        self._set_paused(roll_id, True)

    def go(self, roll_id: str | None) -> None:
        """End a pause; the end of the general one leaves single ones as they are."""
        self._set_paused(roll_id, False)

    def active(self) -> tuple[str, ...]:
        """Return the rolls on offer, the most urgent first."""
        with self._lock:
            return tuple(sorted(self._rolls, key=self._urgency))

    def is_done(self, roll_id: str) -> bool:
        """Tell whether every parcel of a roll on offer was confirmed."""
        with self._lock:
            roll = self._rolls.get(roll_id)
            return roll is not None and not roll.pending

    def moved_bytes(self, roll_id: str) -> int:
        """Return how much of a roll on offer the peer has made durable; 0 if it is not on offer."""
        with self._lock:
            roll = self._rolls.get(roll_id)
            return 0 if roll is None else roll.total_bytes - roll.pending_bytes

    def total_moved_bytes(self) -> int:
        """Return the bytes confirmed since this feed was made: it only grows."""
        with self._lock:
            return self._total_moved_bytes

    def resent_bytes(self) -> int:
        """Return the bytes handed out again because what became of them was not known."""
        with self._lock:
            return self._resent_bytes

    def take_outcomes(self) -> list[Outcome]:
        """Return the rolls stopped since the last call; each once per offer."""
        with self._lock:
            taken, self._outcomes = self._outcomes, []
            return taken

    # For the lanes

    def next(self, lane: int) -> ParcelOrder | None:
        """Hand out the next parcel, or None if there is nothing to do now."""
        with self._lock:
            ready = [roll_id for roll_id, roll in self._rolls.items() if self._may_go(roll)]
            if not ready:
                return None
            roll_id = min(ready, key=self._urgency)
            roll = self._rolls[roll_id]
            order = ParcelOrder(roll_id, heapq.heappop(roll.waiting))
            assert order not in self._in_flight, "a parcel is on one lane at a time"
            self._in_flight[order] = lane
            if order in self._lost:
                self._lost.discard(order)
                self._resent_bytes += roll.plan.length_bytes(order.number)
            return order

    def confirmed(self, lane: int, order: ParcelOrder) -> None:
        """Count a parcel that the peer has made durable."""
        with self._lock:
            is_doubtful = order in self._doubtful
            if not self._take_off(lane, order):
                return
            if not is_doubtful:
                self._count(order)
            elif self._wait_again(order):
                self._lost.add(order)
        self._on_change()

    def declined(
        self, lane: int, order: ParcelOrder, code: HeldCode, message: str, path: str | None
    ) -> None:
        """Stop a roll of which the peer would not take a parcel."""
        self._stop(lane, order, HeldError(code, message, remedy="", path=path or None))

    def unreadable(self, lane: int, order: ParcelOrder, error: HeldError) -> None:
        """Stop a roll of which the source could not give a parcel."""
        self._stop(lane, order, error)

    def lane_lost(self, lane: int) -> None:
        """Let what was on a lane, and not confirmed, wait again."""
        with self._lock:
            orders = [order for order, holder in self._in_flight.items() if holder == lane]
            for order in orders:
                self._take_off(lane, order)
                if self._wait_again(order):
                    self._lost.add(order)
        if orders:
            self._on_change()

    # Within the lock

    def _urgency(self, roll_id: str) -> tuple[Place, str]:
        return (self._rolls[roll_id].place, roll_id)

    def _may_go(self, roll: _Roll) -> bool:
        return bool(roll.waiting) and not (self._paused or roll.paused or roll.stopped)

    def _take_off(self, lane: int, order: ParcelOrder) -> bool:
        """End a parcel's time on a lane; False for late news from a lane that lost it."""
        if self._in_flight.get(order) != lane:
            return False
        del self._in_flight[order]
        self._doubtful.discard(order)
        return True

    def _count(self, order: ParcelOrder) -> None:
        roll = self._rolls.get(order.roll_id)
        if roll is None or order.number not in roll.pending:
            return
        length = roll.plan.length_bytes(order.number)
        roll.pending.discard(order.number)
        roll.pending_bytes -= length
        self._total_moved_bytes += length

    def _wait_again(self, order: ParcelOrder) -> bool:
        roll = self._rolls.get(order.roll_id)
        if roll is None or order.number not in roll.pending:
            return False
        heapq.heappush(roll.waiting, order.number)
        return True

    def _stop(self, lane: int, order: ParcelOrder, error: HeldError) -> None:
        with self._lock:
            is_doubtful = order in self._doubtful
            if not self._take_off(lane, order):
                return
            if self._wait_again(order) and not is_doubtful:
                roll = self._rolls[order.roll_id]
                if not roll.stopped:
                    self._outcomes.append(Outcome(order.roll_id, error))
                roll.stopped = True
        self._on_change()

    def _set_paused(self, roll_id: str | None, paused: bool) -> None:
        with self._lock:
            if roll_id is None:
                self._paused = paused
            elif roll_id in self._rolls:
                self._rolls[roll_id].paused = paused
