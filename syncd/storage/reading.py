"""Reading a roll parcel by parcel, and files as a whole, never writing.

Owns: that what is read is still what the inventory says, before the first and after the last byte
of every piece. Must not: decide what becomes of a roll; it raises HeldError with the reason.
"""

import threading
from collections.abc import Sequence
from contextlib import suppress
from typing import Protocol

from syncd.counted import counted
from syncd.errors import HeldError
from syncd.limits import DIRECT_ALIGN_BYTES, READ_BYTES
from syncd.ports import Disk, Folder, OpenFile
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.parcels import ParcelPlan, Piece
from syncd.roll.stages import HeldCode
from syncd.storage.hashing import FileHashers, PieceHasher, piece_hasher
from syncd.storage.troubles import source_changed, source_trouble

# How coarse file systems keep times: nanoseconds, NTFS, micro- and milliseconds, exFAT, HFS, FAT.
_TIME_STEPS_NS = (1, 100, 1_000, 1_000_000, 10_000_000, 1_000_000_000, 2_000_000_000)


class Watch(Protocol):
    """What is remembered of files of which only their times tell that they are still the same."""

    def check(self, file_index: int, opened_ns: int, now_ns: int) -> None:
        """Raise HeldError if a file has, or had when it was opened, an unknown change time."""

    def note(self, piece: Piece, digest: bytes, opened_ns: int) -> None:
        """Remember what was read of a file. Raises HeldError as check() does."""


class RollReader:
    """A roll's folder, open for reading; owns folder. Safe from several lanes at once.

    evidence: what its parcels are to say that they were cut from, as in ParcelHead.
    watch: of files without evidence (handoff/untouched.py); None: there are none.
    """

    def __init__(
        self,
        disk: Disk,
        folder: Folder,
        inventory: Inventory,
        plan: ParcelPlan,
        evidence: bytes = b"",
        *,
        watch: Watch | None = None,
    ) -> None:
        self.watch = watch
        self.disk = disk
        self.folder = folder
        self.inventory = inventory
        self.plan = plan
        self.evidence = evidence
        self.shown = f"{inventory.day}/{inventory.name}"
        self._lock = threading.Lock()
        self._open_parcels = 0
        self._is_closing = False

    def open(self, number: int) -> "ParcelReader":
        """Open parcel number; nothing is read yet. Raises HeldError if the roll was closed.

        Likewise for a number of the cut before this one, which was handed out just before.
        """
        with self._lock:
            if self._is_closing or number >= self.plan.count:
                raise HeldError(
                    HeldCode.SOURCE_UNREADABLE,
                    f"{self.shown} is not open for reading any more.",
                    remedy="It is opened again with the next offer.",
                )
            self._open_parcels += 1
        return ParcelReader(self, self.plan.pieces(number), self.plan.length_bytes(number))

    def close(self) -> None:
        """Close the folder, as soon as no parcel of it is being read."""
        with self._lock:
            self._is_closing = True
            self._close_if_unused()

    def let_go(self) -> None:
        """Take note that a parcel was closed."""
        with self._lock:
            self._open_parcels -= 1
            self._close_if_unused()

    def _close_if_unused(self) -> None:
        if self._is_closing and self._open_parcels == 0:
            self.folder.close()

    def trouble(self, path: str, error: OSError) -> HeldError:
        """Say what an error while reading path means."""
        is_there = self.folder.is_still_at_its_path()
        user = self.disk.user()
        return source_trouble(self.shown, path, error, is_root_there=is_there, user=user)


class ParcelReader:
    """One parcel, read from its first to its last byte, hashed piece by piece on the way."""

    def __init__(self, roll: RollReader, pieces: Sequence[Piece], total_bytes: int) -> None:
        self.total_bytes = total_bytes
        self.piece_count = len(pieces)
        self.evidence = roll.evidence
        self._roll = roll
        self._pieces = pieces
        self._next = 0
        self._file: OpenFile | None = None
        self._done_bytes = 0
        self._hasher: PieceHasher = piece_hasher()
        self._digests = bytearray()
        self._is_closed = False

    def read_into(self, view: memoryview) -> int:
        """Fill view as far as the parcel goes; return how many bytes, 0 at its end.

        Raises HeldError if the source changed, is incomplete or cannot be read.
        """
        filled = 0
        while self._next < len(self._pieces):
            if filled == len(view) and self._pieces[self._next].length_bytes > 0:
                break
            filled += self._read_piece(view[filled:])
        return filled

    def digests(self) -> bytes:
        """Return 16 bytes of XXH128 per piece; known when everything was read."""
        assert self._next == len(self._pieces), "digests are known at the end"
        return bytes(self._digests)

    def close(self) -> None:
        """Close what is open; twice is fine."""
        if self._is_closed:
            return
        self._is_closed = True
        if self._file is not None:
            # Open still, so not read to its end: the parcel counts for nothing, and the reason is
            # on its way. A file system that died fails each close, and would put itself before it.
            with suppress(OSError):
                self._file.close()
        self._roll.let_go()

    def _read_piece(self, view: memoryview) -> int:
        """Read from the current piece, and go on to the next where it ends."""
        piece = self._pieces[self._next]
        entry = self._roll.inventory.files[piece.file_index]
        try:
            if self._file is None:
                self._file = self._roll.folder.open_read(entry.path)
                self._compare(self._file, piece, entry)
            count = self._read_some(self._file, piece, entry, view)
            if self._done_bytes == piece.length_bytes:
                self._end_piece(self._file, piece, entry)
        except OSError as error:
            raise self._roll.trouble(entry.path, error) from error
        return count

    def _read_some(self, file: OpenFile, piece: Piece, entry: FileEntry, view: memoryview) -> int:
        wanted = min(len(view), piece.length_bytes - self._done_bytes)
        if wanted == 0:
            return 0
        part = view[:wanted]
        count = file.read_into(part, piece.offset_bytes + self._done_bytes)
        if count < wanted:
            raise source_changed(self._roll.shown, entry.path, "it became shorter")
        self._hasher.update(part)
        self._done_bytes += count
        return count

    def _end_piece(self, file: OpenFile, piece: Piece, entry: FileEntry) -> None:
        self._compare(file, piece, entry)
        self._file = None
        file.close()
        digest = self._hasher.digest()
        if self._roll.watch is not None:
            self._roll.watch.note(piece, digest, file.opened.changed_ns)
        self._digests += digest
        self._hasher = piece_hasher()
        self._done_bytes = 0
        self._next += 1

    def _compare(self, file: OpenFile, piece: Piece, entry: FileEntry) -> None:
        now = file.stat()
        if now.size_bytes != entry.size_bytes:
            reason = f"it has {counted(now.size_bytes, 'byte')}, not {entry.size_bytes:,}"
            raise source_changed(self._roll.shown, entry.path, reason)
        if not is_same_time(now.mtime_ns, entry.mtime_ns):
            raise source_changed(self._roll.shown, entry.path, "it was written to")
        if self._roll.watch is not None:
            self._roll.watch.check(piece.file_index, file.opened.changed_ns, now.changed_ns)


def is_same_time(found_ns: int, expected_ns: int) -> bool:
    """Tell whether found is expected, as a file system with coarse times keeps it."""
    return any(
        found_ns % step == 0 and abs(found_ns - expected_ns) < step for step in _TIME_STEPS_NS
    )


def read_bytes(size_bytes: int) -> int:
    """Return how much to ask for at once to read a file of that size past the cache to its end."""
    blocks = size_bytes // DIRECT_ALIGN_BYTES + 1
    return min(READ_BYTES, blocks * DIRECT_ALIGN_BYTES)


def read_buffer(disk: Disk, size_bytes: int) -> memoryview:
    """Return a buffer for reading files of up to that size past the cache."""
    return disk.aligned_buffer(read_bytes(size_bytes))


def hash_file(
    disk: Disk,
    folder: Folder,
    path: str,
    algorithms: Sequence[Algorithm],
    *,
    roll: str,
    past_cache: bool = False,
) -> tuple[Digest, ...]:
    """Return the digests of a whole file, in the order of algorithms, from one read.

    roll: DAY/ROLL, for people.
    Raises HeldError(source-unreadable) or (file-missing).
    """
    try:
        return hash_stored(disk, folder, path, algorithms, past_cache=past_cache)
    except OSError as error:
        is_there = folder.is_still_at_its_path()
        user = disk.user()
        raise source_trouble(roll, path, error, is_root_there=is_there, user=user) from error


def hash_stored(
    disk: Disk,
    folder: Folder,
    path: str,
    algorithms: Sequence[Algorithm],
    *,
    past_cache: bool = False,
) -> tuple[Digest, ...]:
    """Do as hash_file, and let OSError through: its meaning is the caller's."""
    hashers = FileHashers(algorithms)
    file = folder.open_read(path, past_cache=past_cache)
    try:
        buffer = read_buffer(disk, file.size_bytes())
        offset = 0
        while True:
            count = file.read_into(buffer, offset)
            hashers.update(buffer[:count])
            offset += count
            if count < len(buffer):
                return hashers.digests()
    finally:
        file.close()
