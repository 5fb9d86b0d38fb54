"""Parcels in memory: a shelf to read from, a store to write to, and orders for lanes."""

import asyncio
import hashlib
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass, field

from syncd.errors import HeldError, LinkLostError
from syncd.roll.parcels import ParcelOrder
from syncd.roll.stages import HeldCode

ROLL = "5a17" * 8


def held(code: HeldCode = HeldCode.STORAGE_FULL) -> HeldError:
    """Make a reason to hold a roll."""
    return HeldError(code, "It does not go.", remedy="Look at it.", path="A012C001.mov")


def data_of(number: int, size_bytes: int) -> bytes:
    """Return the bytes of a parcel, other ones for every number."""
    return hashlib.shake_128(number.to_bytes(4, "big")).digest(size_bytes)


def digest(data: bytes) -> bytes:
    """Return 16 bytes that stand for the digest of one piece."""
    return hashlib.blake2b(data, digest_size=16).digest()


@dataclass
class Shelf:
    """A ParcelSource. sizes: bytes of each parcel, each one piece. fails_at: where reading ends."""

    sizes: list[int]
    fails_at: dict[int, int] = field(default_factory=dict)
    lies: dict[int, int] = field(default_factory=dict)
    evidence: bytes = b"under this list"
    open_readers: int = 0

    def open(self, roll_id: str, number: int) -> "Reader":
        assert roll_id == ROLL
        if self.fails_at.get(number) == -1:
            raise held(HeldCode.SOURCE_UNREADABLE)
        self.open_readers += 1
        return Reader(self, number)


class Reader:
    """A ParcelReader that gives a little at a time."""

    def __init__(self, shelf: Shelf, number: int) -> None:
        self.piece_count = 1
        self.evidence = shelf.evidence
        self._shelf = shelf
        self._data = data_of(number, shelf.sizes[number])
        self._at = 0
        self._fails_at = shelf.fails_at.get(number)
        self.total_bytes = shelf.lies.get(number, len(self._data))

    def read_into(self, view: memoryview) -> int:
        if self._fails_at is not None and self._at >= self._fails_at:
            raise held(HeldCode.SOURCE_UNREADABLE)
        part = self._data[self._at : self._at + min(len(view), 300_000)]
        view[: len(part)] = part
        self._at += len(part)
        return len(part)

    def digests(self) -> bytes:
        return digest(self._data)

    def close(self) -> None:
        self._shelf.open_readers -= 1


@dataclass
class Store:
    """An Intake. stored: what was committed; the rest says what shall fail."""

    sizes: list[int]
    stored: dict[int, bytes] = field(default_factory=dict)
    groups: list[int] = field(default_factory=list)
    refuses: set[int] = field(default_factory=set)
    full_at: dict[int, int] = field(default_factory=dict)
    commit_fails: bool = False
    evidence: set[bytes] = field(default_factory=set)
    sinks: list["Sink"] = field(default_factory=list)

    def begin(self, roll_id: str, number: int, evidence: bytes = b"") -> "Sink":
        assert roll_id == ROLL
        self.evidence.add(evidence)
        if number in self.refuses:
            raise held()
        self.sinks.append(Sink(self, number))
        return self.sinks[-1]

    def commit(self, sinks: Iterable["Sink"]) -> None:
        group = list(sinks)
        self.groups.append(len(group))
        if self.commit_fails:
            raise held(HeldCode.STORAGE_ERROR)
        for sink in group:
            assert sink.is_finished
            assert not sink.is_abandoned
            self.stored[sink.number] = bytes(sink.data)
            sink.is_committed = True

    def has_all(self) -> bool:
        """Tell whether every parcel is stored as it was on the shelf."""
        return self.stored == {n: data_of(n, size) for n, size in enumerate(self.sizes)}

    def nothing_open(self) -> bool:
        """Tell whether each parcel that was begun was committed or given up, and not both."""
        return all(sink.is_committed != sink.is_abandoned for sink in self.sinks)


class Sink:
    """A ParcelSink that remembers."""

    def __init__(self, store: Store, number: int) -> None:
        self.total_bytes = store.sizes[number]
        self.piece_count = 1
        self.number = number
        self.data = bytearray()
        self.is_finished = self.is_abandoned = self.is_committed = False
        self._full_at = store.full_at.get(number)

    def write(self, view: memoryview) -> None:
        self.data += view
        if self._full_at is not None and len(self.data) > self._full_at:
            raise held()

    def finish(self, digests: bytes) -> None:
        if digests != digest(bytes(self.data)):
            raise LinkLostError("What arrived is not what was read.", remedy="It is sent again.")
        self.is_finished = True

    def abandon(self) -> None:
        self.is_abandoned = True


class Orders:
    """A ParcelFeed that hands out numbers in turn and notes what became of them.

    ended: set when every parcel that was added has an outcome.
    """

    def __init__(self, count: int = 0, *, is_good: Callable[[int], bool] = lambda _: True) -> None:
        self.waiting = list(range(count))
        self.open: set[int] = set()
        self.open_max = 0
        self.done: list[int] = []
        self.refused: dict[int, tuple[HeldCode, str | None]] = {}
        self.unread: dict[int, HeldError] = {}
        self.ended = asyncio.Event()
        self._is_good = is_good

    def next(self, lane: int) -> ParcelOrder | None:
        assert lane == 3
        if not self.waiting:
            return None
        number = self.waiting.pop(0)
        self.open.add(number)
        self.open_max = max(self.open_max, len(self.open))
        return ParcelOrder(ROLL, number)

    def confirmed(self, lane: int, order: ParcelOrder) -> None:
        assert self._is_good(order.number), "a parcel is confirmed only when it is durable"
        self._end(lane, order)
        self.done.append(order.number)

    def declined(
        self, lane: int, order: ParcelOrder, code: HeldCode, message: str, path: str | None
    ) -> None:
        assert message
        self._end(lane, order)
        self.refused[order.number] = (code, path)

    def unreadable(self, lane: int, order: ParcelOrder, error: HeldError) -> None:
        self._end(lane, order)
        self.unread[order.number] = error

    def _end(self, lane: int, order: ParcelOrder) -> None:
        assert lane == 3
        self.open.remove(order.number)
        if not self.open and not self.waiting:
            self.ended.set()


async def ends_lost(task: "asyncio.Task[None]") -> LinkLostError:
    """Wait for a lane to end, and return how."""
    with suppress(LinkLostError):
        await task
    error = task.exception()
    assert isinstance(error, LinkLostError), error
    return error
