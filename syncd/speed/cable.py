"""The cable by itself: parcels from memory to memory, over lanes like those of a roll.

Owns: both ends of such a lane. What it carries is sealed, or not, hashed and compared like a roll's
parcels, and goes nowhere. Must not: touch a disk, or open a lane.
"""

import threading
from collections.abc import Callable, Iterable
from typing import Any

from syncd.errors import HeldError
from syncd.limits import PARCEL_BYTES_MAX, SPEED_CABLE_BYTES_MAX, SPEED_PIECE_BYTES
from syncd.ports import Clock
from syncd.roll.inventory import ROLL_ID_LENGTH
from syncd.roll.parcels import ParcelOrder
from syncd.roll.stages import HeldCode
from syncd.speed.filler import Filler
from syncd.speed.together import Amount
from syncd.storage.hashing import piece_hasher
from syncd.storage.troubles import ParcelDamagedError

ROLL_ID = "0" * ROLL_ID_LENGTH  # of no roll


class Pour:
    """The giving end: a ParcelFeed and a ParcelSource, without end until stop() is called.

    rung: called, from any thread, when nothing is under way any more after that.
    """

    def __init__(self, filler: Filler, clock: Clock, rung: Callable[[], None]) -> None:
        self.problem: str | None = None
        self._filler = filler
        self._clock = clock
        self._rung = rung
        self._lock = threading.Lock()
        self._next = 0
        self._under_way: dict[int, set[int]] = {}
        self._confirmed_bytes = 0
        self._began_s: float | None = None
        self._last_s = 0.0
        self._is_stopped = False

    # A feed, asked by lanes

    def next(self, lane: int) -> ParcelOrder | None:
        with self._lock:
            if self._is_stopped:
                return None
            if self._began_s is None:
                self._began_s = self._clock.monotonic_s()
            number, self._next = self._next, self._next + 1
            self._under_way.setdefault(lane, set()).add(number)
            return ParcelOrder(ROLL_ID, number)

    def confirmed(self, lane: int, order: ParcelOrder) -> None:
        with self._lock:
            self._confirmed_bytes += PARCEL_BYTES_MAX
            self._last_s = self._clock.monotonic_s()
        self._end(lane, {order.number})

    def declined(
        self, lane: int, order: ParcelOrder, code: HeldCode, message: str, path: str | None
    ) -> None:
        del code, path
        self.problem = message
        self.stop()
        self._end(lane, {order.number})

    def unreadable(self, lane: int, order: ParcelOrder, error: HeldError) -> None:
        del lane, order
        raise AssertionError("memory can be read") from error

    def lane_lost(self, lane: int) -> None:
        """Wait no longer for what was on a lane."""
        with self._lock:
            lost = set(self._under_way.get(lane, ()))
        self._end(lane, lost)

    def _end(self, lane: int, numbers: set[int]) -> None:
        with self._lock:
            self._under_way.get(lane, set()).difference_update(numbers)
        if self.is_drained:
            self._rung()

    # A source, read by lanes

    def open(self, roll_id: str, number: int) -> "_Reader":
        assert roll_id == ROLL_ID, "only next() says what is read"
        return _Reader(self._filler, number)

    # What became of it

    def stop(self) -> None:
        """Let no more parcels go."""
        self._is_stopped = True

    @property
    def is_drained(self) -> bool:
        """Whether nothing is on its way any more, and nothing will be."""
        with self._lock:
            return self._is_stopped and not any(self._under_way.values())

    @property
    def began_s(self) -> float | None:
        """When the first parcel went; None as long as no lane was open."""
        return self._began_s

    def amount(self) -> Amount:
        """Return what arrived, from the first parcel's beginning to the last one's word."""
        with self._lock:
            began_s = self._last_s if self._began_s is None else self._began_s
            return Amount(self._confirmed_bytes, max(0.0, self._last_s - began_s))


class _Reader:
    """A ParcelReader of memory. Each read stays within one piece of it."""

    total_bytes = PARCEL_BYTES_MAX
    piece_count = 1
    evidence = b""

    def __init__(self, filler: Filler, number: int) -> None:
        self._filler = filler
        self._first = number * (PARCEL_BYTES_MAX // SPEED_PIECE_BYTES)
        self._done_bytes = 0
        self._hasher = piece_hasher()

    def read_into(self, view: memoryview) -> int:
        if self._done_bytes == self.total_bytes:
            return 0
        place, offset = divmod(self._done_bytes, SPEED_PIECE_BYTES)
        part = self._filler.piece(self._first + place)[offset : offset + len(view)]
        view = view[: len(part)]
        view[:] = part
        self._hasher.update(view)
        self._done_bytes += len(part)
        return len(part)

    def digests(self) -> bytes:
        return self._hasher.digest()

    def close(self) -> None:
        """Do nothing: it is memory."""


class Drain:
    """The taking end: an Intake that compares what comes, and lets it go.

    is_over: asked at each parcel; from then on none is taken any more.
    """

    def __init__(self, is_over: Callable[[], bool]) -> None:
        self._is_over = is_over
        self._lock = threading.Lock()
        self._left_bytes = SPEED_CABLE_BYTES_MAX

    def begin(self, roll_id: str, number: int, evidence: bytes = b"") -> "_Sink":
        del evidence
        with self._lock:
            self._left_bytes -= PARCEL_BYTES_MAX
            is_spent = self._left_bytes < 0
        if roll_id != ROLL_ID or is_spent or self._is_over():
            raise HeldError(
                HeldCode.PEER_REFUSED,
                "The cable is not being measured any more.",
                remedy="Run `syncd speed` again.",
            )
        return _Sink(number)

    def commit(self, sinks: Iterable[Any]) -> None:
        """Do nothing: nothing is kept."""


class _Sink:
    """A ParcelSink that only hashes."""

    total_bytes = PARCEL_BYTES_MAX
    piece_count = 1

    def __init__(self, number: int) -> None:
        self._number = number
        self._hasher = piece_hasher()

    def write(self, view: memoryview) -> None:
        self._hasher.update(view)

    def finish(self, digests: bytes) -> None:
        if self._hasher.digest() != digests:
            raise ParcelDamagedError(
                f"Parcel {self._number} of a measuring did not arrive as it was sent.",
                remedy="If this is said again, change the cable.",
            )

    def abandon(self) -> None:
        """Do nothing: nothing is kept."""
