"""The faulty file system itself: a folder passed through, but for what the control file says.

Run as a program of its own: MOUNT-POINT BACKING-FOLDER CONTROL-FILE HITS-FILE. What it does wrong
it writes to the hits file, one line each, so that a test knows that its fault was met.
It keeps what is written apart from what is synced: "die" loses the one and keeps the other.
"""

import errno
import os
import sys
import threading
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from mfusepy import FUSE, Operations

from tests.faults.fuse.faults import Fault, load

_STAT = ("st_mode", "st_nlink", "st_uid", "st_gid", "st_size", "st_ino", "st_blocks")
_STAT_NS = ("st_atime_ns", "st_mtime_ns", "st_ctime_ns")
_STATFS = (
    *("f_bavail", "f_bfree", "f_blocks", "f_bsize", "f_favail", "f_ffree", "f_files"),
    *("f_flag", "f_frsize", "f_namemax"),
)


class Control:
    """The faults that hold now, counted. Safe from several threads."""

    def __init__(self, control: Path, hits: Path) -> None:
        self._path = control
        self._hits = hits.open("a", buffering=1)
        self._lock = threading.Lock()
        self._stamp: tuple[int, int] | None = None
        self._faults: list[Fault] = []
        self._met: list[int] = []

    def meet(self, op: str, path: str) -> Fault | None:
        """Return the fault that an operation meets."""
        with self._lock:
            self._reload()
            for place, fault in enumerate(self._faults):
                if fault.matches(op, path):
                    self._met[place] += 1
                    met = self._met[place] - fault.skip
                    if met > 0 and (not fault.times or met <= fault.times):
                        self._hits.write(f"{fault.kind} {op} {path}\n")
                        return fault
        return None

    def _reload(self) -> None:
        status = self._path.stat()
        stamp = (status.st_ino, status.st_mtime_ns)
        if stamp != self._stamp:
            self._stamp = stamp
            self._faults = load(self._path)
            self._met = [0] * len(self._faults)


class Unsynced:
    """What a loss of power would take: bytes written and names made since their last sync."""

    def __init__(self, root: str) -> None:
        self._root = root
        self._lock = threading.Lock()
        self._bytes: dict[str, list[tuple[int, int]]] = {}
        self._names: set[str] = set()

    def wrote(self, path: str, offset: int, size: int) -> None:
        with self._lock:
            self._bytes.setdefault(path, []).append((offset, size))

    def made(self, path: str) -> None:
        with self._lock:
            self._names.add(path)

    def moved(self, old: str, new: str) -> None:
        """Follow a rename, of a file or of a folder with all that is in it."""

        def now(path: str) -> str:
            return new + path[len(old) :] if path == old or path.startswith(f"{old}/") else path

        with self._lock:
            self._bytes = {now(path): ranges for path, ranges in self._bytes.items()}
            self._names = {now(path) for path in self._names}

    def synced(self, path: str) -> None:
        with self._lock:
            self._bytes.pop(path, None)

    def synced_names(self, folder: str) -> None:
        with self._lock:
            self._names = {path for path in self._names if os.path.dirname(path) != folder}

    def lose(self) -> None:
        """Take what was not synced: zeros for bytes, nothing for names."""
        with self._lock:
            for path, ranges in self._bytes.items():
                if not os.path.exists(self._root + path):
                    continue
                fd = os.open(self._root + path, os.O_WRONLY)
                for offset, size in ranges:
                    os.pwrite(fd, bytes(size), offset)
                os.close(fd)
            for path in sorted(self._names, reverse=True):
                if os.path.isdir(self._root + path):
                    if not os.listdir(self._root + path):
                        os.rmdir(self._root + path)
                elif os.path.lexists(self._root + path):
                    os.unlink(self._root + path)


class Faulty(Operations):  # type: ignore[misc]
    """Passes every operation to the backing folder, unless a fault says otherwise."""

    use_ns = True

    def __init__(self, root: Path, control: Control) -> None:
        self._root = str(root)
        self._control = control
        self._unsynced = Unsynced(self._root)

    def _at(self, path: str) -> str:
        return self._root + path

    def _meet(self, op: str, path: str) -> Fault | None:
        fault = self._control.meet(op, path)
        if fault is None:
            return None
        if fault.kind == "error":
            raise OSError(fault.errno, os.strerror(fault.errno))
        if fault.kind == "stall":
            time.sleep(fault.stall_s)
        if fault.kind == "die":
            self._unsynced.lose()
            os._exit(1)
        return fault

    # Looking

    def getattr(self, path: str, fh: int | None = None) -> dict[str, Any]:
        self._meet("getattr", path)
        status = os.lstat(self._at(path)) if fh is None else os.fstat(fh)
        found = {name: getattr(status, name) for name in _STAT}
        return found | {name.removesuffix("_ns"): getattr(status, name) for name in _STAT_NS}

    def readdir(self, path: str, fh: int) -> Iterable[str]:
        del fh
        self._meet("readdir", path)
        return [".", "..", *os.listdir(self._at(path))]

    def statfs(self, path: str) -> dict[str, int]:
        self._meet("statfs", path)
        status = os.statvfs(self._at(path))
        return {name: getattr(status, name) for name in _STATFS}

    def readlink(self, path: str) -> str:
        return os.readlink(self._at(path))

    # Files

    def open(self, path: str, flags: int) -> int:
        # The kernel has done its own part of these; the backing file is opened plainly.
        return os.open(self._at(path), flags & ~(os.O_DIRECT | os.O_NOFOLLOW))

    def create(self, path: str, mode: int, fi: Any = None) -> int:
        del fi
        self._meet("create", path)
        fd = os.open(self._at(path), os.O_RDWR | os.O_CREAT, mode)
        self._unsynced.made(path)
        return fd

    def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
        self._meet("read", path)
        return os.pread(fh, size, offset)

    def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
        fault = self._meet("write", path)
        kind = fault.kind if fault is not None else ""
        if kind == "drop":
            end = max(os.fstat(fh).st_size, offset + len(data))
            os.ftruncate(fh, end)  # the size is kept, as by a drive that lost a block
            return len(data)
        if kind == "flip":
            middle = len(data) // 2
            data = data[:middle] + bytes((data[middle] ^ 1,)) + data[middle + 1 :]
        self._unsynced.wrote(path, offset, len(data))
        return os.pwrite(fh, data, offset)

    def truncate(self, path: str, length: int, fh: int | None = None) -> int:
        os.truncate(self._at(path) if fh is None else fh, length)
        return 0

    def fsync(self, path: str, datasync: int, fh: int) -> int:
        del datasync, fh
        self._meet("fsync", path)
        self._unsynced.synced(path)
        return 0

    def fsyncdir(self, path: str, datasync: int, fh: int) -> int:
        del datasync, fh
        self._meet("fsyncdir", path)
        self._unsynced.synced_names(path)
        return 0

    def release(self, path: str, fh: int) -> int:
        del path
        os.close(fh)
        return 0

    def utimens(self, path: str, times: Any = None) -> int:
        os.utime(self._at(path), ns=times, follow_symlinks=False)
        return 0

    def chmod(self, path: str, mode: int) -> int:
        os.chmod(self._at(path), mode)
        return 0

    # Names

    def mkdir(self, path: str, mode: int) -> int:
        self._meet("mkdir", path)
        os.mkdir(self._at(path), mode)
        self._unsynced.made(path)
        return 0

    def unlink(self, path: str) -> int:
        self._meet("unlink", path)
        os.unlink(self._at(path))
        return 0

    def rmdir(self, path: str) -> int:
        os.rmdir(self._at(path))
        return 0

    def rename(self, old: str, new: str) -> int:
        self._meet("rename", old)
        os.rename(self._at(old), self._at(new))
        self._unsynced.moved(old, new)
        return 0


class Mounted(FUSE):  # type: ignore[misc]
    """As many simple file systems, it knows no flags of rename: the caller has to do without."""

    def rename_fuse_3(self, old: bytes, new: bytes, flags: int) -> int:
        if flags:
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        return int(super().rename_fuse_3(old, new, flags))


def main() -> None:
    """Serve until unmounted."""
    mount_point, backing, control, hits = sys.argv[1:]
    faulty = Faulty(Path(backing), Control(Path(control), Path(hits)))
    Mounted(faulty, mount_point, foreground=True, default_permissions=True)


if __name__ == "__main__":
    main()
