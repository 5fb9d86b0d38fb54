"""How much one peer has this box do for one roll: parcels that it answered, files that it doubts.

Owns: the sum for each roll, and when it is more than any honest storage asks for: a storage that
asks for parcels again and again would have a source read, and a cable filled, for ever.
Must not: hold a roll or let one go on; whoever offers it does.

What was sent and not answered does not count: it is what a broken cable costs, however often it
breaks, and a lane has UNCONFIRMED_PARCELS_MAX of it at most. Nor does what a peer turned down with
a reason that its roll is held for: that is told, and tried again in no haste.
Thread-safe: lanes count from threads of their own.
"""

import threading
from collections.abc import Collection
from dataclasses import dataclass

from syncd.errors import SAY_GO, HeldError
from syncd.handoff.outgoing import Outgoing
from syncd.limits import EFFORT_ITEM_BYTES, EFFORT_SLACK_BYTES, EFFORT_TIMES_MAX
from syncd.roll.parcels import ParcelOrder
from syncd.roll.stages import HeldCode
from syncd.schedule.feed import Feed
from syncd.storage.amounts import human


@dataclass(slots=True)
class _Effort:
    """What was done for one roll; state: of its files, of which each has a sum of its own."""

    outgoing: Outgoing
    most_bytes: int
    done_bytes: int = 0
    is_told: bool = False
    is_held: bool = False

    @property
    def is_spent(self) -> bool:
        return self.done_bytes > self.most_bytes


class Efforts:
    """The sums of all rolls on offer to one peer. A roll whose files are others begins anew."""

    def __init__(self, peer: str) -> None:
        self._peer = peer
        self._lock = threading.Lock()
        self._by_roll: dict[str, _Effort] = {}

    def begin(self, outgoing: Outgoing) -> None:
        """Count for a roll as it is offered now; on, if its files are as they were."""
        with self._lock:
            known = self._by_roll.get(outgoing.roll_id)
            if known is not None and known.outgoing.evidence == outgoing.evidence:
                known.outgoing = outgoing
                return
            self._by_roll[outgoing.roll_id] = _Effort(outgoing, _most_bytes(outgoing))

    def keep(self, roll_ids: Collection[str]) -> None:
        """Forget all other rolls: they are handed over, or will never be."""
        with self._lock:
            for roll_id in self._by_roll.keys() - set(roll_ids):
                del self._by_roll[roll_id]

    def answered(self, order: ParcelOrder) -> None:
        """Count a parcel that the peer confirmed, or would not take."""
        with self._lock:
            effort = self._by_roll.get(order.roll_id)
            if effort is not None and order.number < effort.outgoing.plan.count:
                length_bytes = effort.outgoing.plan.length_bytes(order.number)
                effort.done_bytes += length_bytes + EFFORT_ITEM_BYTES

    def read(self, roll_id: str, sizes_bytes: Collection[int]) -> None:
        """Count files of these sizes, which are read because the peer asks for it."""
        with self._lock:
            if (effort := self._by_roll.get(roll_id)) is not None:
                effort.done_bytes += sum(sizes_bytes) + EFFORT_ITEM_BYTES * len(sizes_bytes)

    def is_spent(self, roll_id: str) -> bool:
        """Tell whether nothing more is done for a roll until a person says so."""
        with self._lock:
            effort = self._by_roll.get(roll_id)
            return effort is not None and effort.is_spent

    def newly_spent(self) -> list[str]:
        """Return the rolls for which too much was done, each once."""
        with self._lock:
            found = [
                roll_id
                for roll_id, effort in self._by_roll.items()
                if effort.is_spent and not effort.is_told
            ]
            for roll_id in found:
                self._by_roll[roll_id].is_told = True
            return found

    def note_held(self, roll_id: str) -> None:
        """Take note that a roll is held for it: if it is held no more, a person says so."""
        with self._lock:
            if (effort := self._by_roll.get(roll_id)) is not None:
                effort.is_held = True

    def is_held(self, roll_id: str) -> bool:
        """Tell whether a roll was held for it."""
        with self._lock:
            effort = self._by_roll.get(roll_id)
            return effort is not None and effort.is_held

    def begin_anew(self, roll_id: str) -> None:
        """Do as much once more, as a person says."""
        with self._lock:
            if (effort := self._by_roll.get(roll_id)) is not None:
                self._by_roll[roll_id] = _Effort(effort.outgoing, effort.most_bytes)

    def why(self, roll_id: str) -> HeldError:
        """Return what such a roll is held for."""
        with self._lock:
            effort = self._by_roll[roll_id]
            outgoing, done_bytes = effort.outgoing, effort.done_bytes
        inventory = outgoing.inventory
        return HeldError(
            HeldCode.STORAGE_ERROR,
            f"{inventory.day}/{inventory.name}: {self._peer} has asked for what it had already, "
            f"again and again: {human(done_bytes)} were sent to it or read for it, of a roll of "
            f"{human(inventory.total_bytes)}. The storage side is wrong.",
            remedy=f"See what `syncd check` and `syncd roll` say on {self._peer}, whether its "
            "disks and memory are well, and whether anybody removes files below .syncd/incoming. "
            f"Run the same version of syncd on both boxes. Then {SAY_GO} the roll: as much is sent "
            "once more. Do not clear the card.",
        )


def _most_bytes(outgoing: Outgoing) -> int:
    inventory = outgoing.inventory
    items = len(inventory.files) + outgoing.plan.count
    once_bytes = inventory.total_bytes + EFFORT_ITEM_BYTES * items
    return EFFORT_SLACK_BYTES + EFFORT_TIMES_MAX * once_bytes


class CountedFeed:
    """A feed, as lanes see it, with what the peer answers counted. Implements lane.ParcelFeed."""

    def __init__(self, feed: Feed, efforts: Efforts) -> None:
        self._feed = feed
        self._efforts = efforts

    def next(self, lane: int) -> ParcelOrder | None:
        """Hand out the next parcel, or None if there is nothing to do now."""
        return self._feed.next(lane)

    def confirmed(self, lane: int, order: ParcelOrder) -> None:
        """Count a parcel that the peer has made durable, or says so."""
        self._efforts.answered(order)
        self._feed.confirmed(lane, order)

    def declined(
        self, lane: int, order: ParcelOrder, code: HeldCode, message: str, path: str | None
    ) -> None:
        """Stop a roll of which the peer would not take a parcel."""
        if code is HeldCode.PEER_REFUSED:  # it is offered again at once, and held for nothing
            self._efforts.answered(order)
        self._feed.declined(lane, order, code, message, path)

    def unreadable(self, lane: int, order: ParcelOrder, error: HeldError) -> None:
        """Stop a roll of which the source could not give a parcel."""
        self._feed.unreadable(lane, order, error)
