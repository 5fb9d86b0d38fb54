"""A disk in memory that loses power, fills up, fails, goes away and rots, all when told to.

Implements ports.Disk. One thread, no clock: times of files count up by one second a change.
Faults: crash() after crash_at_op, fail_next(), full_after(), take_away(), flip(), busy_until_s; and
whatever at_op raises, for tests that go through all operations one by one.

A failing write has written any part of its bytes, a failing close comes late, and a failing sync
leaves what it should have kept (sim_tree.py). What is taken away is gone for everybody, or lazily
(what is open goes on), or another, empty folder is at its path.
"""

import asyncio
import errno
import os
import random
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, TypeVar

from syncd.ports import Entry, EntryKind, Folder, OpenFile, ReadLevel
from tests.faults.sim_tree import Inode, Tree

T = TypeVar("T")

_FIRST_MTIME_S = 1_773_500_000
_ROOMY_BYTES = 1 << 40


class SimCrash(BaseException):  # no error that anybody could handle
    """The power went: nothing below may handle this, and nothing runs any more."""


# Operations that change what is there; guard is told of them.
CHANGING = frozenset(
    {"open_write", "make_new_file", "replace_file", "rename_new", "remove_file", "remove_tree"}
)


@dataclass(frozen=True)
class _Away:
    """How a path is unmounted. instead: what is found there."""

    lazily: bool
    instead: Inode | None


def _fail(code: int, path: str) -> OSError:
    return OSError(code, os.strerror(code), path)


class SimDisk:
    """One file system with any number of roots in it.

    crash_at_op: the operation, counted in ops, at which the power goes; from then on every
    operation raises SimCrash until crash() is called. Settable at any time; None: never.
    died: called when the power goes. failed: told of every operation that was made to fail.
    guard: told of every change by anybody but a test.
    renamed: told of every rename that was done. rng: None: no work beside the loop takes time.
    """

    def __init__(self, rng: random.Random | None = None) -> None:
        self.tree = Tree()
        self.rng = rng or random.Random(0)
        self.takes_time = rng is not None
        self.busy_until_s = 0.0
        self.died: Callable[[], None] | None = None
        self.failed: Callable[[str], None] | None = None
        self.guard: Callable[[str, str], None] | None = None
        self.renamed: Callable[[str], None] | None = None
        self.ops = 0
        self.crash_at_op: int | None = None
        self.epoch = 0
        self.capacity_bytes = _ROOMY_BYTES
        self.kind = "simfs"
        self.at_op: Callable[[str, str], None] | None = None  # told each operation and its path
        self.lose: Callable[[Tree, random.Random], None] = Tree.lose_power  # what a crash costs
        self._is_dead = False
        self._failures: list[tuple[str, int]] = []
        self._away: dict[str, _Away] = {}
        self._ticks = 0

    # The port

    def open_folder(self, path: str) -> Folder:
        self.count("open_folder")
        inode = self._at_path(path)
        if inode.kind is not EntryKind.FOLDER:
            raise _fail(errno.ENOTDIR, path)
        return SimFolder(self, path, inode)

    def aligned_buffer(self, size_bytes: int) -> memoryview:
        return memoryview(bytearray(size_bytes))

    def user(self) -> str:
        return "syncd (uid 990)"

    async def aside(self, work: Callable[..., T], *args: Any) -> T:
        await asyncio.sleep(0)
        if self.takes_time and self.rng.random() < 0.15:
            await asyncio.sleep(0.05 * self.rng.random() ** 3)
        left_s = self.busy_until_s - asyncio.get_running_loop().time()
        if left_s > 0:
            await asyncio.sleep(left_s)
        return work(*args)

    # What a test does to it

    def make_root(self, path: str) -> None:
        """Make a folder and all above it, durable at once."""
        SimFolder(self, "/", self.tree.root).make_folders(path.strip("/"))
        self.settle()

    def settle(self) -> None:
        """Make everything durable."""
        self.tree.sync_all()

    def crash(self, rng: random.Random, *, is_power: bool = True) -> None:
        """Lose power and come back: any of the unsynced changes stay, and no handle is open.

        is_power: False if only the process is killed; the system keeps what it wrote.
        """
        if is_power:
            self.lose(self.tree, rng)
        else:
            self.tree.kill()
        self.epoch += 1
        self._is_dead = False
        self.crash_at_op = None

    def die(self) -> None:
        """Do nothing more for anybody until crash()."""
        self._is_dead = True

    @contextmanager
    def untroubled(self) -> Iterator[None]:
        """Let a test write without the crash that is in store for the daemon."""
        kept = (self.crash_at_op, self._is_dead, self.ops, self.at_op, self.guard)
        failures, away = self._failures, self._away
        self.crash_at_op, self._is_dead, self.at_op, self.guard = None, False, None, None
        self._failures, self._away = [], {}
        try:
            yield
        finally:
            self.crash_at_op, self._is_dead, self.ops, self.at_op, self.guard = kept
            self._failures, self._away = failures, away

    def flip(self, path: str, offset: int, bit: int = 0) -> None:
        """Change one bit of a file at rest."""
        inode = self.lookup(path.strip("/"))
        inode.data[offset] ^= 1 << bit
        if offset < len(inode.durable):
            inode.durable[offset] ^= 1 << bit

    def full_after(self, more_bytes: int) -> None:
        """Have room for so many bytes more."""
        self.capacity_bytes = self.tree.used_bytes + more_bytes

    def take_away(self, path: str, *, lazily: bool = False, instead: bool = False) -> None:
        """Unmount path; lazily: what is open goes on, as after umount -l.

        instead: another file system, an empty one, is there for as long.
        """
        other = self.tree.new(EntryKind.FOLDER) if instead else None
        self._away["/" + path.strip("/")] = _Away(lazily, other)

    def bring_back(self, path: str) -> None:
        """Mount it again."""
        self._away.pop("/" + path.strip("/"), None)

    def be_well(self) -> None:
        """End all failures and what is missing; what was lost stays lost."""
        self._failures.clear()
        self._away.clear()
        self.capacity_bytes = _ROOMY_BYTES
        self.busy_until_s = 0.0

    def fail_next(self, op: str, code: int, *, times: int = 1) -> None:
        """Let the next operations of that name fail with an errno."""
        self._failures += [(op, code)] * times

    def files_below(self, path: str) -> dict[str, bytes]:
        """Return all files below a folder by relative path; nothing there: none."""
        try:
            folder = self.lookup(path.strip("/"))
        except FileNotFoundError:
            return {}
        found: dict[str, bytes] = {}
        _collect(folder, "", found)
        return found

    # What its folders and files use

    def count(self, op: str, path: str = "", epoch: int | None = None) -> None:
        """Count one operation, which may be the one at which something happens."""
        self.ops += 1
        if self.crash_at_op is not None and self.ops >= self.crash_at_op:
            self._is_dead = True
            if self.died is not None:
                self.died()
        if self._is_dead or (epoch is not None and epoch != self.epoch):
            raise SimCrash(f"the power went at operation {self.ops} ({op} {path})")
        if self.at_op is not None:
            self.at_op(op, path)
        self.fail(op, path)

    def fail(self, op: str, path: str) -> None:
        """Raise the failure that is due for an operation, if one is."""
        for place, (failing, code) in enumerate(self._failures):
            if failing == op:
                del self._failures[place]
                if self.failed is not None:
                    self.failed(op)
                raise _fail(code, path)

    def is_away(self, path: str, *, opened: bool = False) -> bool:
        """Tell whether path is unmounted now, for one who has it open or for a newcomer."""
        if not self._away:
            return False
        path = "/" + path.strip("/")
        return any(
            (path == root or path.startswith(root + "/")) and not (opened and away.lazily)
            for root, away in self._away.items()
        )

    def _at_path(self, path: str) -> Inode:
        """Return what an absolute path leads to now. Raises OSError."""
        path = "/" + path.strip("/")
        for root, away in self._away.items():
            if path == root or path.startswith(root + "/"):
                if away.instead is None:
                    raise _fail(errno.ENOENT, path)
                return self.lookup(path[len(root) :].strip("/"), away.instead)
        return self.lookup(path.strip("/"))

    def take_space(self, more_bytes: int, path: str) -> None:
        """Take room for a growing file. Raises OSError(ENOSPC)."""
        if self.tree.used_bytes + more_bytes > self.capacity_bytes:
            raise _fail(errno.ENOSPC, path)
        self.tree.used_bytes += more_bytes

    def tick_ns(self) -> int:
        """Return a time of change later than any before."""
        self._ticks += 1
        return (_FIRST_MTIME_S + self._ticks) * 1_000_000_000

    def lookup(self, path: str, start: Inode | None = None) -> Inode:
        """Go down from start, following no link. Raises OSError."""
        inode = self.tree.root if start is None else start
        for name in parts(path):
            if inode.kind is not EntryKind.FOLDER:
                raise _fail(errno.ENOTDIR, path)
            inner = inode.names.get(name)
            if inner is None:
                raise _fail(errno.ENOENT, path)
            inode = inner
        return inode


class SimFolder:
    """An open folder of a SimDisk."""

    def __init__(self, disk: SimDisk, path: str, inode: Inode) -> None:
        self.disk = disk
        self._path = path
        self._inode = inode
        self._epoch = disk.epoch

    def identity(self) -> tuple[int, int]:
        return (1, self._inode.number)

    def is_still_at_its_path(self) -> bool:
        try:
            return self.disk._at_path(self._path) is self._inode
        except OSError:
            return False

    def file_system(self) -> str:
        return self.disk.kind

    def scan(self, path: str = "") -> list[Entry]:
        self.count("scan", path)
        folder = self._folder(path)
        names = sorted(folder.names, key=os.fsencode)
        return [entry_of(name, folder.names[name]) for name in names]

    def stat(self, path: str) -> Entry | None:
        self.count("stat", path)
        try:
            return entry_of(path.rpartition("/")[2], self._at(path))
        except FileNotFoundError:
            return None

    def open_read(self, path: str, *, past_cache: bool = False) -> "SimFile":
        self.count("open_read", path)
        level = ReadLevel.DIRECT if past_cache else ReadLevel.CACHED
        inode = self._file(self._at(path), path)
        if past_cache:
            inode.drop_cache()
        return SimFile(self, inode, path, level)

    def open_write(self, path: str, *, create: bool = True) -> "SimFile":
        self.count("open_write", path)
        parent, name = self._parent(path)
        if name not in parent.names:
            if not create:
                raise _fail(errno.ENOENT, path)
            self._make_file(parent, name)
        inode = self._file(parent.names[name], path)
        return SimFile(self, inode, path, ReadLevel.CACHED)

    def make_folders(self, path: str) -> None:
        self.count("make_folders", path)
        folder = self._inode
        for name in parts(path):
            if name not in folder.names:
                inner = self.disk.tree.new(EntryKind.FOLDER)
                self.disk.tree.change((folder, name, inner))
            folder = folder.names[name]
            if folder.kind is not EntryKind.FOLDER:
                raise _fail(errno.ENOTDIR, path)

    def make_new_file(self, path: str, data: bytes) -> None:
        self.count("make_new_file", path)
        parent, name = self._parent(path)
        if name in parent.names:
            raise _fail(errno.EEXIST, path)
        self._make_file(parent, name)
        try:
            self._write_whole(path, data)
        except OSError:
            self.remove_file(path)
            raise

    def replace_file(self, path: str, data: bytes) -> None:
        self.count("replace_file", path)
        above, _, name = path.rpartition("/")
        beside = f"{above}/.{name}.new".lstrip("/")
        if self.stat(beside) is not None:
            self.remove_file(beside)
        self.make_new_file(beside, data)
        parent, _ = self._parent(path)
        self.count("rename", path)
        beside_name = f".{name}.new"
        inode = parent.names[beside_name]
        self.disk.tree.change((parent, name, inode), (parent, beside_name, None))
        inode.changed_ns = self.disk.tick_ns()
        self.sync_folder(above)

    def read_file(self, path: str, *, bytes_max: int) -> bytes:
        self.count("read_file", path)
        inode = self._file(self._at(path), path)
        if len(inode.data) > bytes_max:
            raise _fail(errno.EFBIG, path)
        return bytes(inode.data)

    def rename_new(self, source: str, target: str) -> None:
        self.count("rename_new", target)
        old_parent, old_name = self._parent(source)
        new_parent, new_name = self._parent(target)
        inode = self._at(source)
        if new_name in new_parent.names:
            raise _fail(errno.EEXIST, target)
        self.disk.tree.change((new_parent, new_name, inode), (old_parent, old_name, None))
        inode.changed_ns = self.disk.tick_ns()  # of what has the name only, as ext4 and XFS do it
        if self.disk.renamed is not None:
            self.disk.renamed(target)

    def remove_file(self, path: str) -> None:
        self.count("remove_file", path)
        parent, name = self._parent(path)
        inode = self._at(path)
        if inode.kind is EntryKind.FOLDER:
            raise _fail(errno.EISDIR, path)
        self.disk.tree.used_bytes -= len(inode.data)
        self.disk.tree.change((parent, name, None))

    def remove_tree(self, path: str) -> None:
        self.count("remove_tree", path)
        try:
            folder = self._at(path)
        except FileNotFoundError:
            return
        if folder.kind is not EntryKind.FOLDER:
            raise _fail(errno.ENOTDIR, path)
        for name, inner in tuple(folder.names.items()):
            remove = self.remove_tree if inner.kind is EntryKind.FOLDER else self.remove_file
            remove(f"{path}/{name}")
        parent, name = self._parent(path)
        self.disk.tree.change((parent, name, None))

    def sync_folder(self, path: str = "") -> None:
        self.count("sync_folder", path)
        self.disk.tree.sync_names(self._folder(path))

    def sync_all(self, paths: Iterable[str]) -> None:
        del paths  # it can do all at once
        self.count("sync_all")
        self.disk.tree.sync_all()

    def free_bytes(self) -> int:
        self.count("free_bytes")
        return max(0, self.disk.capacity_bytes - self.disk.tree.used_bytes)

    def close(self) -> None:
        pass

    def make_link(self, path: str, target: str) -> None:
        """Put a symbolic link; not of the port, for tests."""
        parent, name = self._parent(path)
        link = self.disk.tree.new(EntryKind.LINK)
        link.link_target = target
        self.disk.tree.change((parent, name, link))

    def count(self, op: str, path: str = "") -> None:
        """Count one operation in here; nothing goes on below what is unmounted."""
        self.disk.count(op, path, self._epoch)
        if self.disk.is_away(self._path, opened=True) and not self.is_still_at_its_path():
            raise _fail(errno.ENODEV, path)
        if self.disk.guard is not None and op in CHANGING:
            self.disk.guard(op, path)

    def _at(self, path: str) -> Inode:
        return self.disk.lookup(path, self._inode)

    def _folder(self, path: str) -> Inode:
        inode = self._at(path)
        if inode.kind is not EntryKind.FOLDER:
            raise _fail(errno.ENOTDIR, path)
        return inode

    def _parent(self, path: str) -> tuple[Inode, str]:
        above, _, name = path.rpartition("/")
        parts(name)
        return self._folder(above), name

    def _file(self, inode: Inode, path: str) -> Inode:
        if inode.kind is EntryKind.LINK:
            raise _fail(errno.ELOOP, path)
        if inode.kind is not EntryKind.FILE:
            raise _fail(errno.EISDIR, path)
        return inode

    def _make_file(self, parent: Inode, name: str) -> None:
        inode = self.disk.tree.new(EntryKind.FILE)
        inode.mtime_ns = inode.durable_mtime_ns = self.disk.tick_ns()
        inode.changed_ns = inode.durable_changed_ns = inode.mtime_ns
        self.disk.tree.change((parent, name, inode))

    def _write_whole(self, path: str, data: bytes) -> None:
        file = self.open_write(path, create=False)
        file.write([memoryview(data)], 0)
        file.sync()
        file.close()


class SimFile:
    """An open file of a SimDisk."""

    def __init__(self, folder: SimFolder, inode: Inode, path: str, level: ReadLevel) -> None:
        self.read_level = level
        self.opened = entry_of(path.rpartition("/")[2], inode)
        self._folder = folder
        self._disk = folder.disk
        self._inode = inode
        self._path = path

    def size_bytes(self) -> int:
        self._count("file_stat")
        return len(self._inode.data)

    def stat(self) -> Entry:
        self._count("file_stat")
        return entry_of(self._path.rpartition("/")[2], self._inode)

    def read_into(self, view: memoryview, offset_bytes: int) -> int:
        self._count("read")
        data = self._inode.data[offset_bytes : offset_bytes + len(view)]
        view[: len(data)] = data
        return len(data)

    def write(self, views: Sequence[memoryview], offset_bytes: int) -> None:
        try:
            self._count("write")
        except OSError:
            whole = b"".join(views)
            part = whole[: self._disk.rng.randrange(len(whole) + 1)]
            if part:
                self._put([memoryview(part)], offset_bytes)
            raise
        self._put(views, offset_bytes)

    def _put(self, views: Sequence[memoryview], offset_bytes: int) -> None:
        for view in views:
            if len(view) == 0:
                continue
            grown = offset_bytes + len(view) - len(self._inode.data)
            self._disk.take_space(max(0, grown), self._path)
            self._inode.write(view, offset_bytes)
            offset_bytes += len(view)
        self._inode.mtime_ns = self._inode.changed_ns = self._disk.tick_ns()

    def set_mtime(self, mtime_ns: int) -> None:
        self._count("set_mtime")
        self._inode.mtime_ns = mtime_ns
        self._inode.changed_ns = self._disk.tick_ns()

    def sync_soon(self) -> None:
        self._count("sync_soon")

    def sync(self) -> None:
        try:
            self._count("sync")
        except OSError:
            self._inode.fail_sync(self._disk.rng)
            raise
        self._inode.sync()

    def close(self) -> None:
        self._disk.fail("close", self._path)

    def _count(self, op: str) -> None:
        self._folder.count(op, self._path)


def entry_of(name: str, inode: Inode) -> Entry:
    """Return a directory entry for an inode."""
    size = len(inode.data)
    return Entry(name, inode.kind, size, inode.mtime_ns, inode.number, 1, inode.changed_ns)


def parts(path: str) -> list[str]:
    """Split a relative path. Raises OSError(EINVAL) for one that could lead elsewhere."""
    names = path.split("/") if path else []
    if any(name in {"", ".", ".."} or "\0" in name for name in names):
        raise _fail(errno.EINVAL, path)
    return names


def _collect(folder: Inode, prefix: str, found: dict[str, bytes]) -> None:
    for name, inode in sorted(folder.names.items()):
        if inode.kind is EntryKind.FOLDER:
            _collect(inode, f"{prefix}{name}/", found)
        elif inode.kind is EntryKind.FILE:
            found[prefix + name] = bytes(inode.data)


__all__ = ["Folder", "OpenFile", "SimCrash", "SimDisk"]
