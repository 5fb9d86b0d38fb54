"""Reading what lies on the landing, past the cache: as fast as the source gives it.

Owns: which files are read, and for how long. Must not: write, rename or remove anything there, ever
(promise 2); and read no roll that is not known by its evidence yet: somebody may be copying it.
"""

import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import islice

from syncd.errors import HeldError
from syncd.limits import (
    MIB,
    PARCEL_BYTES_MAX,
    READ_BYTES,
    SPEED_FILES_MAX,
    SPEED_READ_BYTES_MAX,
    SPEED_WALK_ENTRIES_MAX,
)
from syncd.ports import Clock, Disk, Entry, EntryKind, Folder, OpenFile, ReadLevel
from syncd.speed.hashing import AT_ONCE
from syncd.speed.together import Amount, together
from syncd.storage.troubles import source_trouble

_LITTLE_BYTES = 64 * MIB
_CACHED = "from memory: this file system knows no other way"


@dataclass(frozen=True, slots=True)
class Sample:
    """Files of one roll. shown: DAY/ROLL. files: path and size, the largest first."""

    shown: str
    source_path: str
    files: tuple[tuple[str, int], ...]

    @property
    def total_bytes(self) -> int:
        """How many bytes they have together."""
        return sum(size for _, size in self.files)


def sample(disk: Disk, source_path: str, shown: str) -> Sample:
    """Look which files of a roll can be read. Blocks. Raises OSError."""
    folder = disk.open_folder(source_path)
    try:
        entries = islice(entries_below(folder), SPEED_WALK_ENTRIES_MAX)
        found = [(path, e.size_bytes) for path, e in entries if e.kind is EntryKind.FILE]
    finally:
        folder.close()
    found.sort(key=lambda file: -file[1])
    return Sample(shown, source_path, tuple(file for file in found[:SPEED_FILES_MAX] if file[1]))


def entries_below(folder: Folder) -> Iterator[tuple[str, Entry]]:
    """Yield all that lies in an open folder, by its path. Raises OSError."""
    waiting = [""]
    while waiting:
        above = waiting.pop()
        for entry in folder.scan(above):
            path = f"{above}/{entry.name}" if above else entry.name
            yield path, entry
            if entry.kind is EntryKind.FOLDER:
                waiting.append(path)


async def read_for(
    files: Sample, seconds: float, *, disk: Disk, clock: Clock, is_over: Callable[[], bool]
) -> Amount:
    """Read files for so long, as two lanes would; return how much that was.

    Raises HeldError, as for a roll that is handed over, if a file cannot be read.
    """
    try:
        folder = disk.open_folder(files.source_path)
    except OSError as error:
        user = disk.user()
        raise source_trouble(files.shown, "", error, is_root_there=False, user=user) from error
    reading = _Reading(folder, files, disk=disk, clock=clock, seconds=seconds, is_over=is_over)
    try:
        amount = await together(reading.work, AT_ONCE, disk, clock)
    finally:
        reading.give_up()
    notes = []
    if reading.level is ReadLevel.CACHED:
        notes.append(_CACHED)
    if amount.total_bytes < _LITTLE_BYTES:
        notes.append("so little lies there that it is a rough figure")
    note = "; ".join(notes)
    return Amount(amount.total_bytes, amount.elapsed_s, note)


class _Reading:
    """What two threads read from: stretches of a parcel's length, in their order."""

    def __init__(
        self,
        folder: Folder,
        files: Sample,
        *,
        disk: Disk,
        clock: Clock,
        seconds: float,
        is_over: Callable[[], bool],
    ) -> None:
        self.level = ReadLevel.DIRECT
        self._folder = folder
        self._files = files
        self._disk = disk
        self._clock = clock
        self._ends_s = clock.monotonic_s() + seconds
        self._was_told = is_over
        self._lock = threading.Lock()
        self._stretches = _stretches(files)
        self._readers = 0
        self._is_given_up = False

    def work(self, _: int) -> int:
        """Read until the time is over, or everything is read; return how many bytes."""
        with self._lock:
            self._readers += 1
        try:
            return self._read(self._disk.aligned_buffer(READ_BYTES))
        finally:
            with self._lock:
                self._readers -= 1
            self._close_if_unused()

    def give_up(self) -> None:
        """Have the threads end, and the last of them close the folder."""
        self._is_given_up = True
        self._close_if_unused()

    def _close_if_unused(self) -> None:
        with self._lock:
            if self._is_given_up and self._readers == 0:
                self._folder.close()

    def _is_over(self) -> bool:
        return self._is_given_up or self._was_told() or self._clock.monotonic_s() >= self._ends_s

    def _read(self, buffer: memoryview) -> int:
        total, file, at = 0, None, ""
        try:
            while not self._is_over():
                with self._lock:
                    path, first, length = next(self._stretches, ("", 0, 0))
                if not length:
                    break
                try:
                    if file is None or path != at:
                        file = self._opened(file, path)
                        at = path
                    total += self._read_stretch(file, first, length, buffer)
                except OSError as error:
                    raise self._trouble(path, error) from error
        finally:
            if file is not None:
                file.close()
        return total

    def _opened(self, before: OpenFile | None, path: str) -> OpenFile:
        if before is not None:
            before.close()
        return self._folder.open_read(path, past_cache=True)

    def _read_stretch(self, file: OpenFile, first: int, length: int, buffer: memoryview) -> int:
        done = 0
        while done < length and not self._is_over():
            count = file.read_into(buffer, first + done)
            done += count
            if count < len(buffer):
                break  # the end of the file
        if file.read_level is ReadLevel.CACHED:
            self.level = ReadLevel.CACHED
        return done

    def _trouble(self, path: str, error: OSError) -> HeldError:
        is_there = self._folder.is_still_at_its_path()
        user = self._disk.user()
        return source_trouble(self._files.shown, path, error, is_root_there=is_there, user=user)


def _stretches(files: Sample) -> Iterator[tuple[str, int, int]]:
    """Yield path, offset and length of what is read, no more than SPEED_READ_BYTES_MAX."""
    left = SPEED_READ_BYTES_MAX
    for path, size in files.files:
        for first in range(0, size, PARCEL_BYTES_MAX):
            length = min(PARCEL_BYTES_MAX, size - first, left)
            if length <= 0:
                return
            left -= length
            yield path, first, length
