"""The taking end of a lane: parcels are opened, written, and made durable in groups.

Owns: which parcels have come and are not durable yet, and that each of them gets one outcome.
Must not: choose parcels, or say what an outcome is good for.

Damage (a seal that does not open, digests that differ) ends the lane: nothing of it is confirmed.
"""

from collections.abc import Callable
from typing import Protocol

from syncd.errors import HeldError, UnfitError
from syncd.limits import COMMIT_GROUP_PARCELS, RECORD_DATA_BYTES
from syncd.roll.parcels import ParcelOrder
from syncd.roll.stages import HeldCode
from syncd.wire.cover import Uncoverer
from syncd.wire.frames import PeerProtocolError
from syncd.wire.lane_events import Beat, ParcelHead
from syncd.wire.lane_shapes import Intake, ParcelSink
from syncd.wire.lane_talk import Talk
from syncd.wire.seal import RECORD_SIZE_MAX, SealBrokenError


class Outcomes(Protocol):
    """Hears what became of each parcel that came."""

    async def durable(self, order: ParcelOrder) -> None: ...

    async def refused(self, order: ParcelOrder, error: HeldError) -> None: ...


class Taker:
    """Takes parcels, one at a time; close() gives up what is not durable.

    unfit: told of a parcel whose size is not what its roll says; may block.
    """

    def __init__(
        self,
        talk: Talk,
        intake: Intake,
        outcomes: Outcomes,
        unfit: Callable[[UnfitError], None] = lambda _: None,
    ) -> None:
        self._talk = talk
        self._unfit = unfit
        self._intake = intake
        self._outcomes = outcomes
        self._plain = memoryview(bytearray(RECORD_DATA_BYTES + 1))
        self._sealed = memoryview(bytearray(RECORD_SIZE_MAX))
        self._writing: ParcelSink | None = None
        self._finished: list[tuple[ParcelOrder, ParcelSink]] = []

    @property
    def has_unconfirmed(self) -> bool:
        """Whether something has come that is not durable yet."""
        return bool(self._finished)

    async def take(self, head: ParcelHead) -> None:
        """Take the parcel that follows head; with others it may become durable at once."""
        order = ParcelOrder(head.roll_id, head.number)
        try:
            self._writing = self._begin(head)
        except HeldError as error:
            await self._outcomes.refused(order, error)
        trailer = await self._take_body(order, head)
        if any(trailer):  # else the giver could not read it: it says so itself where it matters
            await self._finish(order, bytes(trailer))
        self._give_up_writing()
        if len(self._finished) >= COMMIT_GROUP_PARCELS:
            await self.commit()

    async def commit(self) -> None:
        """Make durable what has come, then say so."""
        if not self._finished:
            return
        await self._talk.say(Beat())  # the disk may take its time, and we are silent meanwhile
        group = self._finished
        try:
            with self._talk.storing():
                self._intake.commit([sink for _, sink in group])
        except HeldError as error:
            self.close()
            for order, _ in group:
                await self._outcomes.refused(order, error)
            return
        self._finished = []
        for order, _ in group:
            await self._outcomes.durable(order)

    def close(self) -> None:
        """Give up every parcel that is not durable."""
        self._give_up_writing()
        group, self._finished = self._finished, []
        for _, sink in group:
            sink.abandon()

    def _begin(self, head: ParcelHead) -> ParcelSink:
        with self._talk.storing():
            sink = self._intake.begin(head.roll_id, head.number, head.evidence)
        if (sink.total_bytes, sink.piece_count) == (head.data_bytes, head.piece_count):
            return sink
        sink.abandon()
        wrong = UnfitError(
            f"Parcel {head.number} of roll {head.roll_id} comes with {head.data_bytes} bytes in "
            f"{head.piece_count} pieces, and the inventory says {sink.total_bytes} in "
            f"{sink.piece_count}.",
            remedy="Run the same version of syncd on both boxes.",
        )
        self._unfit(wrong)
        raise HeldError(HeldCode.PEER_REFUSED, wrong.problem, remedy=wrong.remedy)

    async def _take_body(self, order: ParcelOrder, head: ParcelHead) -> bytearray:
        """Receive records to the last one and write what they hold; return the digests."""
        opener = self._talk.conversation.uncoverer()
        trailer = bytearray()
        data_left_bytes = head.data_bytes
        try:
            await self._take_header(opener)
            while not opener.is_done:
                count = await self._take_record(opener)
                data = self._plain[: min(count, data_left_bytes)]
                data_left_bytes -= len(data)
                trailer += self._plain[len(data) : count]
                await self._write(order, data)
        except SealBrokenError as error:
            raise PeerProtocolError(f"parcel {order.number} of {order.roll_id}: {error}") from None
        return trailer

    async def _take_header(self, opener: Uncoverer) -> None:
        header = self._sealed[: len(opener.header)]
        await self._talk.hear_body(header)
        opener.check_header(header)

    async def _take_record(self, opener: Uncoverer) -> int:
        for view in opener.views(self._plain, self._sealed):
            await self._talk.hear_body(view)
        return opener.uncover(self._plain, self._sealed)

    async def _write(self, order: ParcelOrder, data: memoryview) -> None:
        """Write data, unless the parcel was refused: then the rest of it only passes by."""
        if self._writing is None or not len(data):
            return
        try:
            with self._talk.storing():
                self._writing.write(data)
        except HeldError as error:
            self._give_up_writing()
            await self._outcomes.refused(order, error)

    async def _finish(self, order: ParcelOrder, digests: bytes) -> None:
        if self._writing is None:
            return
        try:
            with self._talk.storing():
                self._writing.finish(digests)
        except HeldError as error:
            self._give_up_writing()
            await self._outcomes.refused(order, error)
            return
        self._finished.append((order, self._writing))
        self._writing = None

    def _give_up_writing(self) -> None:
        sink, self._writing = self._writing, None
        if sink is not None:
            sink.abandon()
