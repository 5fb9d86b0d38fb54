"""One parcel on its way onto the storage: written across its pieces, hashed while written.

Owns: the files that a parcel touches, until it is committed or given up.
Must not: make anything durable or record it; receiving.py does, for several parcels at once.
"""

import threading
from collections.abc import Iterator, Sequence
from contextlib import suppress
from typing import Protocol

from syncd.errors import HeldError
from syncd.ports import Folder, OpenFile
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.parcels import ParcelPlan, Piece
from syncd.storage.area import Promise
from syncd.storage.hashing import PIECE_DIGEST_BYTES, PieceHasher, piece_hasher
from syncd.storage.layout import stored_path
from syncd.storage.troubles import NoSuchParcelError, ParcelDamagedError

KEPT_OPEN_FILES_MAX = 8  # so many are synced one by one; more are synced with their file system


class Receiver(Protocol):
    """What a sink needs of its roll."""

    inventory: Inventory
    plan: ParcelPlan
    roll_id: str

    def make_folder_for(self, folder: Folder, path: str) -> None: ...

    def failed(self, error: OSError, path: str | None) -> HeldError | ParcelDamagedError: ...


class ParcelSink:
    """Takes one parcel. Used by one lane; give_up() from any thread."""

    def __init__(self, roll: Receiver, promise: Promise, number: int, epoch: int) -> None:
        self.roll = roll
        self.folder = promise.folder
        self._promise = promise
        self.number = number
        self.epoch = epoch
        self.total_bytes = roll.plan.length_bytes(number)
        self.pieces: Sequence[Piece] = roll.plan.pieces(number)
        self.piece_count = len(self.pieces)
        self.digests = b""
        self.kept: list[tuple[str, OpenFile]] = []
        self._lock = threading.Lock()
        self._keeps_open = self.piece_count <= KEPT_OPEN_FILES_MAX
        self._found = bytearray()
        self._next = 0
        self._done_bytes = 0
        self._file: OpenFile | None = None
        self._hasher: PieceHasher = piece_hasher()
        self._is_over = False

    def write(self, view: memoryview) -> None:
        """Write the next bytes of the parcel. Raises HeldError, ParcelDamagedError."""
        with self._lock:
            self._check_alive()
            self._end_full_pieces()
            while len(view):
                if self._next == self.piece_count:
                    raise _damaged(self.number, "it is longer than its pieces")
                view = view[self._write_some(view) :]
                self._end_full_pieces()

    def finish(self, digests: bytes) -> None:
        """Compare what was written with what was read. Raises ParcelDamagedError, HeldError."""
        with self._lock:
            self._check_alive()
            self._end_full_pieces()
            if self._next != self.piece_count:
                raise _damaged(self.number, "it ended early")
            if len(digests) != PIECE_DIGEST_BYTES * self.piece_count or self._found != digests:
                raise _damaged(self.number, "what arrived is not what was read")
            self.digests = bytes(digests)

    def abandon(self) -> None:
        """Give the parcel up: it stays lacking. Twice is fine, and safe from any thread."""
        with self._lock:
            self._is_over = True
            self._promise.give_up()
            self._close_files()

    def paths(self) -> Iterator[str]:
        """Yield where its files lie on the storage."""
        for piece in self.pieces:
            yield stored_path(self.roll.roll_id, self._entry(piece))

    def sync(self) -> None:
        """Make the data of the files kept open durable. Raises HeldError, ParcelDamagedError."""
        with self._lock:
            self._check_alive()
            for piece, (_, file) in zip(self.pieces, self.kept, strict=True):
                try:
                    file.sync()
                except OSError as error:
                    raise self.roll.failed(error, self._entry(piece).path) from error

    def release(self) -> None:
        """Close what is open, for good; a failing close counts as a failed write."""
        with self._lock:
            self._check_alive()
            self._is_over = True
            while self.kept:
                _, file = self.kept.pop()
                file.close()

    def _close_files(self) -> None:
        files = [file for _, file in self.kept]
        if self._file is not None:
            files.append(self._file)
        self.kept, self._file = [], None
        for file in files:
            with suppress(OSError):  # nothing of it is counted as written
                file.close()

    def _check_alive(self) -> None:
        if self._is_over:
            raise _damaged(self.number, "another lane brings it now")

    def _write_some(self, view: memoryview) -> int:
        piece = self.pieces[self._next]
        part = view[: piece.length_bytes - self._done_bytes]
        try:
            file = self._open(piece)
            file.write([part], piece.offset_bytes + self._done_bytes)
        except OSError as error:
            raise self.roll.failed(error, self._entry(piece).path) from error
        self._promise.use(len(part))
        self._hasher.update(part)
        self._done_bytes += len(part)
        return len(part)

    def _end_full_pieces(self) -> None:
        """Close pieces that are complete, files without any bytes among them."""
        while self._next < self.piece_count:
            piece = self.pieces[self._next]
            if self._done_bytes < piece.length_bytes:
                return
            try:
                self._end_piece(piece)
            except OSError as error:
                raise self.roll.failed(error, self._entry(piece).path) from error

    def _end_piece(self, piece: Piece) -> None:
        file = self._open(piece)
        # Each parcel of a file sets its time after its own last write, so the last one stays.
        file.set_mtime(self._entry(piece).mtime_ns)
        self._file = None
        if self._keeps_open:
            file.sync_soon()  # the disk works while the next parcel travels
            self.kept.append((stored_path(self.roll.roll_id, self._entry(piece)), file))
        else:
            file.close()
        self._found += self._hasher.digest()
        self._hasher = piece_hasher()
        self._done_bytes = 0
        self._next += 1

    def _open(self, piece: Piece) -> OpenFile:
        if self._file is None:
            path = stored_path(self.roll.roll_id, self._entry(piece))
            self.roll.make_folder_for(self.folder, path)
            self._file = self.folder.open_write(path)
        return self._file

    def _entry(self, piece: Piece) -> FileEntry:
        return self.roll.inventory.files[piece.file_index]


class SparedSink:
    """Takes a parcel that is durable already, and writes nothing: what was proved stays so."""

    def __init__(self, plan: ParcelPlan, number: int) -> None:
        self.number = number
        self.total_bytes = plan.length_bytes(number)
        self.piece_count = len(plan.pieces(number))

    def write(self, view: memoryview) -> None:
        """Leave the bytes out."""

    def finish(self, digests: bytes) -> None:
        """Leave the digests out."""

    def abandon(self) -> None:
        """Do nothing: there is nothing to give up."""


def check_number(plan: ParcelPlan, number: int) -> int:
    """Return number if plan has it. Raises NoSuchParcelError."""
    if not 0 <= number < plan.count:
        raise NoSuchParcelError(
            f"The roll has no parcel {number}.",
            remedy="If it repeats, run the same version of syncd on both boxes.",
        )
    return number


def _damaged(number: int, reason: str) -> ParcelDamagedError:
    return ParcelDamagedError(f"Parcel {number}: {reason}.", remedy="It is sent again.")
