"""The giving end of a lane: a parcel is read, sealed and sent record by record.

Owns: two buffers of one record each, whatever the size of parcels. Must not: choose parcels.
"""

from syncd.errors import HeldError
from syncd.limits import RECORD_DATA_BYTES
from syncd.roll.parcels import ParcelOrder
from syncd.roll.stages import HeldCode
from syncd.wire.lane_events import ParcelHead
from syncd.wire.lane_shapes import ParcelReader, ParcelSource
from syncd.wire.lane_talk import Talk
from syncd.wire.seal import RECORD_SIZE_MAX


class Giver:
    """Sends parcels, one at a time."""

    def __init__(self, talk: Talk, source: ParcelSource) -> None:
        self._talk = talk
        self._source = source
        self._plain = memoryview(bytearray(RECORD_DATA_BYTES + 1))
        self._sealed = memoryview(bytearray(RECORD_SIZE_MAX))

    async def give(self, order: ParcelOrder) -> HeldError | None:
        """Send one parcel; return why if it could not be read, so that it counts for nothing."""
        try:
            reader = self._source.open(order.roll_id, order.number)
        except HeldError as error:
            return error
        try:
            return await self._give(order, reader)
        finally:
            reader.close()

    async def _give(self, order: ParcelOrder, reader: ParcelReader) -> HeldError | None:
        head = ParcelHead(
            roll_id=order.roll_id,
            number=order.number,
            data_bytes=reader.total_bytes,
            piece_count=reader.piece_count,
            evidence=reader.evidence,
        )
        await self._talk.say(head)
        reading = _Reading(reader, head)
        sealer = self._talk.conversation.coverer()
        await self._talk.say_body(sealer.header)
        while not sealer.is_done:
            reading.fill(self._plain[: sealer.next_bytes])
            await self._talk.say_body(*sealer.cover(self._plain, self._sealed))
        if reading.error is None:
            self._talk.stats.count(0, payload_bytes=head.data_bytes, parcels=1)
        return reading.error


class _Reading:
    """What lies within the seal: the data, then its digests.

    A source that fails in mid-parcel is not the lane's end: zeros take the place of what is
    missing and of every digest, by which the taker knows that the parcel is void.
    """

    def __init__(self, reader: ParcelReader, head: ParcelHead) -> None:
        self.error: HeldError | None = None
        self._reader = reader
        self._head = head
        self._data_left_bytes = head.data_bytes
        self._trailer = b""

    def fill(self, view: memoryview) -> None:
        """Fill view with the next bytes."""
        data_bytes = min(len(view), self._data_left_bytes)
        self._fill_data(view[:data_bytes])
        self._data_left_bytes -= data_bytes
        if data_bytes < len(view):
            self._fill_trailer(view[data_bytes:])

    def _fill_data(self, view: memoryview) -> None:
        while len(view) and self.error is None:
            try:
                count = self._reader.read_into(view)
            except HeldError as error:
                self.error = error
                break
            if count == 0:
                self.error = _changed(self._head, "shorter")
            view = view[count:]
        view[:] = bytes(len(view))

    def _fill_trailer(self, view: memoryview) -> None:
        if not self._trailer:
            self._trailer = self._read_digests() or bytes(self._head.trailer_bytes)
        view[:] = self._trailer[: len(view)]
        self._trailer = self._trailer[len(view) :]

    def _read_digests(self) -> bytes:
        """Read past the end, which also makes sure that it is one; b"" if the parcel is void."""
        if self.error is None:
            try:
                if self._reader.read_into(memoryview(bytearray(1))):
                    self.error = _changed(self._head, "longer")
                    return b""
                return self._reader.digests()
            except HeldError as error:
                self.error = error
        return b""


def _changed(head: ParcelHead, how: str) -> HeldError:
    return HeldError(
        HeldCode.SOURCE_CHANGED,
        f"Parcel {head.number} of roll {head.roll_id} became {how} while it was read.",
        remedy="Let the copy onto the source finish, then let the roll go on.",
    )
