"""One open file of the real disk.

Owns: reads and writes that go on until done, and reading past the page cache as far as it goes.
Must not: find files; disk.py opens them, beneath a folder and following no link.
"""

import errno
import os
import stat
from collections.abc import Sequence
from contextlib import suppress

from syncd.edges.system_calls import stop_caching, sync_descriptor
from syncd.limits import DIRECT_ALIGN_BYTES
from syncd.ports import Entry, EntryKind, ReadLevel

_VIEWS_PER_CALL = 512  # below IOV_MAX everywhere
_TIME_NS_MAX = (1 << 63) - 1
_O_DIRECT: int = getattr(os, "O_DIRECT", 0)
MEMORY_FILE_SYSTEMS = frozenset({"tmpfs", "ramfs"})


def entry_of(name: str, status: os.stat_result) -> Entry:
    """Return a directory entry as the rooms see it."""
    kind = EntryKind.OTHER
    if stat.S_ISREG(status.st_mode):
        kind = EntryKind.FILE
    elif stat.S_ISDIR(status.st_mode):
        kind = EntryKind.FOLDER
    elif stat.S_ISLNK(status.st_mode):
        kind = EntryKind.LINK
    return Entry(
        name,
        kind,
        status.st_size,
        _kept_ns(status.st_mtime_ns),
        status.st_ino,
        status.st_dev,
        _kept_ns(status.st_ctime_ns),
    )


def _kept_ns(time_ns: int) -> int:
    """Return a file's time as 64 bits hold it: from 1677 to 2262. A camera's clock may be wrong."""
    return min(max(time_ns, -_TIME_NS_MAX), _TIME_NS_MAX)


class RealFile:
    """An open regular file; owns fd from the start, also if this raises.

    device: what it lies on.

    Raises OSError(EINVAL) if fd is a folder, a device or a pipe.
    """

    def __init__(self, fd: int, name: str) -> None:
        self.read_level = ReadLevel.CACHED
        self._fd = fd
        self._name = name
        self._is_direct = False
        status = os.fstat(fd)
        self.device = status.st_dev
        self.opened = entry_of(name, status)
        if not stat.S_ISREG(status.st_mode):
            self.close()
            raise OSError(errno.EINVAL, "not a regular file", name)

    def go_past_cache(self) -> None:
        """Drop what the cache has of this file and read from the device from now on."""
        stop_caching(self._fd)
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(self._fd, 0, 0, os.POSIX_FADV_DONTNEED)
        self.read_level = ReadLevel.DROPPED
        if _O_DIRECT and self._set_direct(True):
            self.read_level = ReadLevel.DIRECT

    def size_bytes(self) -> int:
        return os.fstat(self._fd).st_size

    def stat(self) -> Entry:
        return entry_of(self._name, os.fstat(self._fd))

    def read_into(self, view: memoryview, offset_bytes: int) -> int:
        done = 0
        while done < len(view):
            count = self._read_once(view[done:], offset_bytes + done)
            done += count
            # A direct read that stops within a block stops at the end of the file; going on from
            # there would be refused as unaligned.
            if count == 0 or (self._is_direct and done % DIRECT_ALIGN_BYTES):
                break
        return done

    def read_all(self, size_bytes: int) -> bytes:
        """Return the first size_bytes of the file, fewer only if it has fewer."""
        data = os.pread(self._fd, size_bytes, 0)  # in one piece, as a rule: nothing is copied
        while more := os.pread(self._fd, size_bytes - len(data), len(data)):
            data += more
        return data

    def _read_once(self, view: memoryview, offset_bytes: int) -> int:
        try:
            return os.preadv(self._fd, [view], offset_bytes)
        except OSError as error:
            if error.errno != errno.EINVAL or not self._is_direct:
                raise
        # The file system took the flag and refuses the read.
        self._set_direct(False)
        self.read_level = ReadLevel.DROPPED
        return os.preadv(self._fd, [view], offset_bytes)

    def _set_direct(self, on: bool) -> bool:
        import fcntl  # noqa: PLC0415  # absent on Windows, like O_DIRECT

        flags = fcntl.fcntl(self._fd, fcntl.F_GETFL) & ~_O_DIRECT
        try:
            fcntl.fcntl(self._fd, fcntl.F_SETFL, flags | (_O_DIRECT if on else 0))
        except OSError as error:
            if error.errno not in {errno.EINVAL, errno.EOPNOTSUPP}:
                raise
            return False
        self._is_direct = on
        return True

    def write(self, views: Sequence[memoryview], offset_bytes: int) -> None:
        left = [view for view in views if len(view)]
        while left:
            count = os.pwritev(self._fd, left[:_VIEWS_PER_CALL], offset_bytes)
            offset_bytes += count
            while left and count >= len(left[0]):
                count -= len(left.pop(0))
            if count:
                left[0] = left[0][count:]

    def set_mtime(self, mtime_ns: int) -> None:
        os.utime(self._fd, ns=(mtime_ns, mtime_ns))

    def sync_soon(self) -> None:
        # On pages that are dirty, this begins to write them and drops nothing.
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(self._fd, 0, 0, os.POSIX_FADV_DONTNEED)

    def sync(self) -> None:
        sync_descriptor(self._fd)

    def close(self) -> None:
        """Close once: the descriptor is gone even if this raises."""
        fd, self._fd = self._fd, -1
        if fd >= 0:
            os.close(fd)

    def __del__(self) -> None:
        with suppress(OSError, AttributeError):
            self.close()
