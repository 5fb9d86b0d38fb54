"""What `syncd speed` writes onto the storage and reads back, and its removal.

Owns: the files below .syncd/speed, which is in no roll's way and never published. They keep off
what is to stay free, as a roll does. Must not: touch anything else of the storage.
"""

import threading
from collections.abc import Callable

import xxhash

from syncd.errors import HeldError, NotPossibleError
from syncd.limits import (
    COMMIT_GROUP_PARCELS,
    PARCEL_BYTES_MAX,
    SPEED_PIECE_BYTES,
    SPEED_WRITE_BYTES_MAX,
)
from syncd.ports import Clock, Folder, OpenFile, ReadLevel
from syncd.roll.stages import HeldCode
from syncd.speed.filler import Filler
from syncd.speed.together import Amount, together
from syncd.storage.area import Area
from syncd.storage.layout import SPEED
from syncd.storage.troubles import storage_trouble

FILES = 2  # lanes that write at once, and files that are read back at a time
_PIECES = PARCEL_BYTES_MAX // SPEED_PIECE_BYTES


class Scratch:
    """The files of one measuring. write(), then read(), then remove(); the last two blocks."""

    def __init__(
        self, area: Area, filler: Filler, clock: Clock, is_over: Callable[[], bool]
    ) -> None:
        self._area = area
        self._filler = filler
        self._clock = clock
        self._is_over = is_over
        self._lock = threading.Lock()
        self._left_bytes = SPEED_WRITE_BYTES_MAX
        self._digests: list[list[bytes]] = [[] for _ in range(FILES)]
        self._is_full = False
        self._level = ReadLevel.DIRECT

    async def write(self, seconds: float) -> Amount:
        """Write for so long; return how much was durable when. Raises HeldError."""
        ends_s = self._clock.monotonic_s() + seconds
        amount = await together(
            lambda number: self._write(number, ends_s), FILES, self._area.disk, self._clock
        )
        if not self._is_full:
            return amount
        return Amount(amount.total_bytes, amount.elapsed_s, "there was no room for more")

    async def read(self, seconds: float) -> Amount:
        """Read it back for so long, past the cache. Raises HeldError, NotPossibleError."""
        ends_s = self._clock.monotonic_s() + seconds
        amount = await together(
            lambda number: self._read(number, ends_s), FILES, self._area.disk, self._clock
        )
        if self._level is not ReadLevel.CACHED:
            return amount
        note = "from memory: this file system knows no other way"
        return Amount(amount.total_bytes, amount.elapsed_s, note)

    def remove(self) -> None:
        """Remove all of it. Raises HeldError if the storage is away."""
        remove_scratch(self._area)

    def _write(self, number: int, ends_s: float) -> int:
        folder, total = self._area.present(), 0
        try:
            folder.make_folders(SPEED)
            file = folder.open_write(f"{SPEED}/{number}")
            try:
                while not self._is_over() and self._has_room(folder, total):
                    self._write_parcel(number, file, total)
                    total += PARCEL_BYTES_MAX
                    file.sync_soon()
                    if total // PARCEL_BYTES_MAX % COMMIT_GROUP_PARCELS == 0:
                        file.sync()
                    if self._clock.monotonic_s() >= ends_s:
                        break
                file.sync()
            finally:
                file.close()
        except OSError as error:
            raise storage_trouble(self._area.path, error, f"{SPEED}/{number}") from error
        return total

    def _write_parcel(self, number: int, file: OpenFile, offset: int) -> None:
        for place in range(_PIECES):
            index = offset // SPEED_PIECE_BYTES + place
            piece = self._filler.piece(index * FILES + number)
            file.write([piece], index * SPEED_PIECE_BYTES)
            self._digests[number].append(xxhash.xxh3_128_digest(piece))

    def _has_room(self, folder: Folder, written_bytes: int) -> bool:
        """Tell whether another parcel may be written. Raises HeldError if the storage is away."""
        with self._lock:
            self._left_bytes -= PARCEL_BYTES_MAX
            if self._left_bytes < 0:
                return False
        try:
            # What the others write at this moment may not be seen in what is free.
            self._area.check(PARCEL_BYTES_MAX, FILES * PARCEL_BYTES_MAX)
        except HeldError as error:
            if error.code is HeldCode.STORAGE_FULL and written_bytes:
                self._is_full = True
                return False
            raise
        if not folder.is_still_at_its_path():
            raise NotPossibleError(
                f"The storage {self._area.path} was exchanged meanwhile.", remedy="Measure again."
            )
        return True

    def _read(self, number: int, ends_s: float) -> int:
        total = 0
        try:
            folder = self._area.present()
            buffer = self._area.disk.aligned_buffer(SPEED_PIECE_BYTES)
            file = folder.open_read(f"{SPEED}/{number}", past_cache=True)
            try:
                for expected in self._digests[number]:
                    if self._is_over():
                        break
                    count = file.read_into(buffer, total)
                    self._compare(expected, buffer[:count], number, total)
                    total += count
                    if self._clock.monotonic_s() >= ends_s:
                        break  # but something was read
            finally:
                file.close()
            if file.read_level is ReadLevel.CACHED:
                self._level = ReadLevel.CACHED
        except OSError as error:
            raise storage_trouble(self._area.path, error, f"{SPEED}/{number}") from error
        return total

    def _compare(self, expected: bytes, found: memoryview, number: int, offset: int) -> None:
        if xxhash.xxh3_128_digest(found) != expected:
            end = offset + SPEED_PIECE_BYTES
            raise NotPossibleError(
                f"The storage {self._area.path} gave back other bytes than were written: "
                f"{SPEED}/{number}, bytes {offset} to {end}.",
                remedy="See the system's log about this disk, its cables and its memory, before "
                "anything is handed over to it.",
            )


def remove_scratch(area: Area) -> None:
    """Remove what any measuring has left on the storage. Blocks. Raises HeldError."""
    folder = area.present()
    try:
        folder.remove_tree(SPEED)
    except OSError as error:
        raise storage_trouble(area.path, error, SPEED) from error
