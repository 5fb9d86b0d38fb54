"""What a lane needs from its two ends: where parcels come from, where they go, who orders them.

Shapes only; schedule/feed.py, storage/reading.py and storage/receiving.py have the real ones.
All of it is called from the threads of lanes and may block.
"""

import threading
from collections.abc import Iterable
from typing import Any, Protocol

from syncd.errors import HeldError
from syncd.roll.parcels import ParcelOrder
from syncd.roll.stages import HeldCode


class ParcelFeed(Protocol):
    """Says what to move next, and hears what became of it; lane numbers tell lanes apart."""

    def next(self, lane: int) -> ParcelOrder | None: ...

    def confirmed(self, lane: int, order: ParcelOrder) -> None: ...

    def declined(
        self, lane: int, order: ParcelOrder, code: HeldCode, message: str, path: str | None
    ) -> None: ...

    def unreadable(self, lane: int, order: ParcelOrder, error: HeldError) -> None: ...


class ParcelReader(Protocol):
    """One parcel at its source; evidence as in ParcelHead."""

    total_bytes: int
    piece_count: int
    evidence: bytes

    def read_into(self, view: memoryview) -> int:
        """Fill view as far as the parcel goes; 0 at its end. Raises HeldError."""

    def digests(self) -> bytes:
        """Return 16 bytes per piece; known once read_into has said 0."""

    def close(self) -> None: ...


class ParcelSource(Protocol):
    """Where parcels are read."""

    def open(self, roll_id: str, number: int) -> ParcelReader:
        """Open one parcel. Raises HeldError."""


class ParcelSink(Protocol):
    """One parcel on its way in.

    Raises HeldError if it cannot be taken now, LinkLostError if it must travel again.
    """

    total_bytes: int
    piece_count: int

    def write(self, view: memoryview) -> None: ...

    def finish(self, digests: bytes) -> None: ...

    def abandon(self) -> None:
        """Give the parcel up; twice is fine, and after a failed commit."""


class Intake(Protocol):
    """Where parcels are written. Raises as a sink does."""

    def begin(self, roll_id: str, number: int, evidence: bytes = b"") -> ParcelSink: ...

    def commit(self, sinks: Iterable[Any]) -> None:
        """Return when these sinks, which begin() made, are durable and recorded."""


class LaneStats:
    """What several lanes have sent together; read from anywhere.

    sent_bytes: all that went to links, heads and seals included. payload_bytes: the data in it.
    parcels: how many were sent to their end.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.sent_bytes = 0
        self.payload_bytes = 0
        self.parcels = 0

    def count(self, sent_bytes: int, *, payload_bytes: int = 0, parcels: int = 0) -> None:
        """Add what was sent."""
        with self._lock:
            self.sent_bytes += sent_bytes
            self.payload_bytes += payload_bytes
            self.parcels += parcels
