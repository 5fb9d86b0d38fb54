"""The real disk: folders beneath an open descriptor, following no link on the way down.

Owns: opening, listing, making, renaming, removing and syncing. Must not: decide anything.
A folder is opened once by its path (which may lead through links, a person wrote it); everything
below goes name by name from its descriptor, so that nothing swapped in can lead out of it.
"""

import asyncio
import errno
import mmap
import os
import pwd
import shutil
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from typing import Any, TypeVar

from syncd.edges.descriptors import kept_folders_max, patiently
from syncd.edges.memory import end_if_out_of_memory
from syncd.edges.mounts import file_system_of, is_synced_one_by_one
from syncd.edges.open_file import MEMORY_FILE_SYSTEMS, RealFile, entry_of
from syncd.edges.system_calls import rename_new, sync_descriptor, sync_file_system
from syncd.ports import Entry, EntryKind, Folder

T = TypeVar("T")

ASIDE_THREADS = 8
_FOLDER_FLAGS = os.O_RDONLY | os.O_CLOEXEC | os.O_DIRECTORY
_BELOW_FLAGS = _FOLDER_FLAGS | os.O_NOFOLLOW
# O_NONBLOCK: opening a pipe that was put in place of a file must not wait for its other end.
_READ_FLAGS = os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
_WRITE_FLAGS = os.O_WRONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
_FILE_MODE, _FOLDER_MODE = 0o644, 0o755


class RealDisk:
    """The machine's disks. Close it at the end: it owns the threads of aside()."""

    def __init__(self) -> None:
        self._threads = ThreadPoolExecutor(ASIDE_THREADS, thread_name_prefix="disk")

    def open_folder(self, path: str) -> Folder:
        return RealFolder(path)

    def aligned_buffer(self, size_bytes: int) -> memoryview:
        try:
            return memoryview(mmap.mmap(-1, size_bytes))
        except OSError as error:  # no file is concerned: no roll is to be held for it
            raise MemoryError(f"{size_bytes} bytes for a buffer") from error

    async def aside(self, work: Callable[..., T], *args: Any) -> T:
        loop = asyncio.get_running_loop()
        return await loop.run_in_executor(self._threads, _in_thread, work, *args)

    def user(self) -> str:
        uid = os.geteuid()
        try:
            return f"{pwd.getpwuid(uid).pw_name} (uid {uid})"
        except KeyError:  # a container may run as one that has no name
            return f"uid {uid}"

    def close(self) -> None:
        """Wait for running work and end the threads."""
        self._threads.shutdown(wait=True, cancel_futures=True)


def _in_thread(work: Callable[..., T], *args: Any) -> T:
    try:
        return work(*args)
    except BaseException as error:
        end_if_out_of_memory(error)
        raise


class _Parent:
    """An open folder that several threads may use; closed when the last has let go of it."""

    __slots__ = ("fd", "is_kept", "users")

    def __init__(self, fd: int) -> None:
        self.fd = fd
        self.users = 0
        self.is_kept = True

    def close_if_unused(self) -> None:
        if not self.is_kept and self.users == 0:
            os.close(self.fd)


class RealFolder:
    """An open folder. Methods may be called from several threads.

    close() takes effect when nobody is in one; whoever comes later is told ESTALE.
    file_mode: of the files that it makes, less what the system's umask takes.
    """

    def __init__(self, path: str, file_mode: int = _FILE_MODE) -> None:
        self._path = path
        self._file_mode = file_mode
        self._fd = patiently(lambda: os.open(path, _FOLDER_FLAGS), lambda: None)
        self._kept_max = kept_folders_max()
        self._lock = threading.RLock()
        self._users = 0
        self._is_closed = False
        self._parents: OrderedDict[str, _Parent] = OrderedDict()
        self._file_systems: dict[int, str] = {}

    def identity(self) -> tuple[int, int]:
        with self._root() as fd:
            status = os.fstat(fd)
        return status.st_dev, status.st_ino

    def is_still_at_its_path(self) -> bool:
        try:
            status = os.stat(self._path)
            return (status.st_dev, status.st_ino) == self.identity()
        except OSError:
            return False

    def file_system(self) -> str:
        device, _ = self.identity()
        return self._file_system(device)

    def _file_system(self, device: int) -> str:
        if device not in self._file_systems:
            self._file_systems[device] = file_system_of(device, self._path)
        return self._file_systems[device]

    # Looking

    def scan(self, path: str = "") -> list[Entry]:
        with self._open_below(path) as fd, os.scandir(fd) as found:
            entries = [entry_of(e.name, e.stat(follow_symlinks=False)) for e in found]
        return sorted(entries, key=lambda entry: os.fsencode(entry.name))

    def stat(self, path: str) -> Entry | None:
        if not path:
            with self._root() as fd:
                return entry_of("", os.fstat(fd))
        try:
            with self._open_parent(path) as (fd, name):
                return entry_of(name, os.stat(name, dir_fd=fd, follow_symlinks=False))
        except FileNotFoundError:
            return None

    def free_bytes(self) -> int:
        with self._root() as fd:
            status = os.fstatvfs(fd)
        if status.f_flag & os.ST_RDONLY:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        return status.f_bavail * status.f_frsize

    # Files

    def open_read(self, path: str, *, past_cache: bool = False) -> RealFile:
        file = self._open_file(path, _READ_FLAGS)
        try:
            if past_cache and self._file_system(file.device) not in MEMORY_FILE_SYSTEMS:
                file.go_past_cache()
        except BaseException:
            file.close()
            raise
        return file

    def open_write(self, path: str, *, create: bool = True) -> RealFile:
        return self._open_file(path, _WRITE_FLAGS | (os.O_CREAT if create else 0))

    def _open_file(self, path: str, flags: int) -> RealFile:
        """Open a file; a kept folder that was removed and made anew meanwhile is looked up anew."""
        try:
            with self._kept_parent(path) as (fd, name):
                return RealFile(self._open(name, flags, fd), name)
        except OSError as error:
            if error.errno not in {errno.ENOENT, errno.ESTALE}:
                raise
        self._let_go_of_parents()
        with self._kept_parent(path) as (fd, name):
            return RealFile(self._open(name, flags, fd), name)

    def read_file(self, path: str, *, bytes_max: int) -> bytes:
        # One file read once is no reason to keep its folder open: somebody may want to unmount it.
        with self._open_parent(path) as (fd, name):
            file = RealFile(self._open(name, _READ_FLAGS, fd), name)
        try:
            size = file.size_bytes()
            if size > bytes_max:
                raise OSError(errno.EFBIG, os.strerror(errno.EFBIG), path)
            return file.read_all(size)
        finally:
            file.close()

    def make_new_file(self, path: str, data: bytes) -> None:
        with self._open_parent(path) as (fd, name):
            self._write_new(fd, name, data)

    def replace_file(self, path: str, data: bytes) -> None:
        with self._open_parent(path) as (fd, name):
            beside = f".{name}.new"
            with suppress(FileNotFoundError):
                os.unlink(beside, dir_fd=fd)
            self._write_new(fd, beside, data)
            os.replace(beside, name, src_dir_fd=fd, dst_dir_fd=fd)
            sync_descriptor(fd)

    def _write_new(self, fd: int, name: str, data: bytes) -> None:
        flags = _WRITE_FLAGS | os.O_CREAT | os.O_EXCL
        file = RealFile(self._open(name, flags, fd), name)
        try:
            try:
                file.write([memoryview(data)], 0)
                file.sync()
            finally:
                file.close()
        except BaseException:
            # What a failed sync left behind is condemned, not kept.
            with suppress(OSError):
                os.unlink(name, dir_fd=fd)
            raise

    # Names

    def make_folders(self, path: str) -> None:
        with self._root() as root:
            fd = self._dup(root)
        try:
            for name in _parts(path):
                with suppress(FileExistsError):
                    os.mkdir(name, _FOLDER_MODE, dir_fd=fd)
                inner = self._open(name, _BELOW_FLAGS, fd)
                os.close(fd)
                fd = inner
        finally:
            os.close(fd)

    def rename_new(self, source: str, target: str) -> None:
        with (
            self._open_parent(source) as (source_fd, source_name),
            self._open_parent(target) as (target_fd, target_name),
        ):
            rename_new(source_fd, source_name, target_fd, target_name)
        self._let_go_of_parents()

    def remove_file(self, path: str) -> None:
        with self._open_parent(path) as (fd, name):
            os.unlink(name, dir_fd=fd)

    def remove_tree(self, path: str) -> None:
        self._let_go_of_parents()
        try:
            with self._open_parent(path) as (fd, name):
                shutil.rmtree(name, dir_fd=fd)
        except FileNotFoundError:
            if self.stat(path) is not None:
                raise

    def sync_folder(self, path: str = "") -> None:
        with self._open_below(path) as fd:
            sync_descriptor(fd)

    def sync_all(self, paths: Iterable[str]) -> None:
        if is_synced_one_by_one(self.file_system()):
            self._sync_each(paths)
        else:
            with self._root() as fd:
                sync_file_system(fd)

    def _sync_each(self, paths: Iterable[str]) -> None:
        folders = {""}
        for path in paths:
            entry = self.stat(path)
            if entry is not None and entry.kind is EntryKind.FOLDER:
                folders.add(path)
            else:
                self._sync_file(path)
            while path := path.rpartition("/")[0]:
                folders.add(path)
        for folder in sorted(folders, reverse=True):
            self.sync_folder(folder)

    def _sync_file(self, path: str) -> None:
        file = self.open_read(path)
        try:
            file.sync()
        finally:
            file.close()

    def close(self) -> None:
        self._let_go_of_parents()
        with self._lock:
            self._is_closed = True
            self._close_if_unused()

    def _close_if_unused(self) -> None:
        if self._is_closed and self._users == 0:
            fd, self._fd = self._fd, -1
            if fd >= 0:
                os.close(fd)

    def __del__(self) -> None:
        with suppress(OSError, AttributeError):
            self.close()

    # Going down

    def _open(self, name: str, flags: int, folder_fd: int) -> int:
        return patiently(
            lambda: os.open(name, flags, self._file_mode, dir_fd=folder_fd), self._let_go_of_parents
        )

    def _dup(self, fd: int) -> int:
        return patiently(lambda: os.dup(fd), self._let_go_of_parents)

    @contextmanager
    def _root(self) -> Iterator[int]:
        """Use the descriptor of the folder itself. Raises OSError(ESTALE) once it was closed."""
        with self._lock:
            if self._is_closed:
                raise OSError(errno.ESTALE, os.strerror(errno.ESTALE), self._path)
            self._users += 1
        try:
            yield self._fd
        finally:
            with self._lock:
                self._users -= 1
                self._close_if_unused()

    @contextmanager
    def _open_below(self, path: str) -> Iterator[int]:
        """Open a folder, name by name."""
        with self._root() as root:
            fd = self._dup(root)
        try:
            for name in _parts(path):
                inner = self._open(name, _BELOW_FLAGS, fd)
                os.close(fd)
                fd = inner
            yield fd
        finally:
            os.close(fd)

    @contextmanager
    def _open_parent(self, path: str) -> Iterator[tuple[int, str]]:
        parent, _, name = path.rpartition("/")
        _parts(name)
        with self._open_below(parent) as fd:
            yield fd, name

    @contextmanager
    def _kept_parent(self, path: str) -> Iterator[tuple[int, str]]:
        """Open the folder above path, or use it once more if it is among the last ones used."""
        path_above, _, name = path.rpartition("/")
        _parts(name)
        if not path_above:
            with self._root() as fd:
                yield fd, name
            return
        parent = self._take_parent(path_above)
        try:
            yield parent.fd, name
        finally:
            with self._lock:
                parent.users -= 1
                parent.close_if_unused()

    def _take_parent(self, path: str) -> _Parent:
        with self._lock:
            parent = self._parents.get(path)
            if parent is None:
                with self._open_below(path) as fd:
                    parent = self._parents[path] = _Parent(self._dup(fd))
                self._drop_oldest()
            else:
                self._parents.move_to_end(path)
            parent.users += 1
            return parent

    def _drop_oldest(self) -> None:
        while len(self._parents) > self._kept_max:
            _, oldest = self._parents.popitem(last=False)
            oldest.is_kept = False
            oldest.close_if_unused()

    def _let_go_of_parents(self) -> None:
        """Names have changed: what was kept by its path may now lie at another."""
        with self._lock:
            for parent in self._parents.values():
                parent.is_kept = False
                parent.close_if_unused()
            self._parents.clear()


def _parts(path: str) -> list[str]:
    """Split a relative path. Raises OSError(EINVAL) for one that could lead elsewhere."""
    parts = path.split("/") if path else []
    if any(part in {"", ".", ".."} or "\0" in part for part in parts):
        raise OSError(errno.EINVAL, "not a plain relative path", path)
    return parts
