"""The four things passed in: clock, link, disk and chance. Shapes only; edges/ has the real ones.

Whoever assembles a node passes these, and a simulation passes others, so that one seed replays a
whole day of both boxes in one thread. Code in the inner rooms gets the world only through here.

Blocking: a Disk and a Link may block their caller. On the event loop, disk work goes through
Disk.aside(); a lane runs in a thread of its own, where its coroutine never really suspends.
In a simulation aside() calls at once and links suspend to the simulated clock.
"""

from collections.abc import Callable, Coroutine, Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Protocol, TypeVar

T = TypeVar("T")


class Clock(Protocol):
    """Time: monotonic for durations, wall time (UTC) for what people read."""

    def monotonic_s(self) -> float: ...

    def utc_ms(self) -> int: ...

    async def sleep(self, seconds: float) -> None: ...


class Chance(Protocol):
    """Randomness; seeded in a simulation."""

    def random_bytes(self, count: int) -> bytes: ...

    def uniform(self, low: float, high: float) -> float: ...


class Receiving(Protocol):
    """What is said first on a connection needs no more than this of it."""

    async def send(self, *parts: bytes | bytearray | memoryview) -> None:
        """As Link.send."""

    async def receive_into(self, view: memoryview, timeout_s: float) -> int:
        """As Link.receive_into."""


class Link(Protocol):
    """One ordered byte connection. Used by one lane; wake() and close() from anywhere."""

    async def send(self, *parts: bytes | bytearray | memoryview) -> None:
        """Hand all parts to the connection, in order. Raises LinkLostError."""

    async def receive_into(self, view: memoryview, timeout_s: float) -> int:
        """Wait for bytes and return how many came; 0 after timeout_s or a wake().

        timeout_s 0 only looks. Raises LinkLostError when the other side is gone.
        """

    def wake(self) -> None:
        """Make a waiting receive_into return 0; safe from any thread."""

    def close(self) -> None:
        """End the connection now; safe from any thread, and twice."""


class Lines(Protocol):
    """Where links come from, and how a lane is run."""

    async def dial(self, host: str, port: int) -> Link:
        """Open a connection, on the event loop. Raises LinkLostError."""

    def run(self, name: str, lane: Coroutine[Any, Any, None]) -> Coroutine[Any, Any, None]:
        """Run lane to its end: in a thread of its own, or as a task in a simulation.

        Awaited on the event loop; raises what the lane raised. Cancelling the await does not
        stop the lane: close its link, then await the end.
        """


class EntryKind(StrEnum):
    """What a directory entry is; only FILE and FOLDER are ever entered or read."""

    FILE = "file"
    FOLDER = "folder"
    LINK = "link"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Entry:
    """One directory entry, taken without following links.

    name: the last part of the path; a name that is not UTF-8 holds surrogate escapes (PEP 383).
    changed_ns: st_ctime, when content, times, owner, mode or (on most file systems) the name last
        changed. No program can set it, so it shows a change of which size and mtime were put
        back. Another one only says "read it again": a copy, a restore, chmod change it, too, and
        FAT, exFAT, network and FUSE file systems may show the mtime, the server's time of some
        other event, or another time after each mount. Its clock ticks in milliseconds, up to ten
        of them on Linux: of two changes within one tick the later one does not show.
    """

    name: str
    kind: EntryKind
    size_bytes: int
    mtime_ns: int
    inode: int
    device: int
    changed_ns: int


class ReadLevel(StrEnum):
    """How far a read went past the page cache."""

    DIRECT = "direct"  # O_DIRECT after the cache was dropped
    DROPPED = "dropped"  # the cache was dropped, then an ordinary read
    CACHED = "cached"  # the file system has no other way (a memory file system)


class OpenFile(Protocol):
    """One open file. Closed once; a failed sync or close condemns what was written.

    opened: its entry as it was when it was opened, before anything was read or written.
    """

    read_level: ReadLevel
    opened: Entry

    def size_bytes(self) -> int: ...

    def stat(self) -> Entry: ...

    def read_into(self, view: memoryview, offset_bytes: int) -> int:
        """Fill view from offset and return how many bytes; fewer only at the end of the file."""

    def write(self, views: Sequence[memoryview], offset_bytes: int) -> None:
        """Write all views, one after the other, at offset."""

    def set_mtime(self, mtime_ns: int) -> None: ...

    def sync_soon(self) -> None:
        """Have what was written go to the device from now on; promises nothing, sync() does."""

    def sync(self) -> None:
        """Return when data and size are durable."""

    def close(self) -> None: ...


class Folder(Protocol):
    """An open folder; all paths are relative, `/`-separated, and never leave it nor follow a link.

    Every method raises OSError as the system gives it; "" names the folder itself.
    """

    def identity(self) -> tuple[int, int]:
        """Device and inode of the open folder."""

    def is_still_at_its_path(self) -> bool:
        """Tell whether the path it was opened by still leads to this very folder."""

    def file_system(self) -> str:
        """Return the type of its file system, such as ext4, tmpfs or nfs4; "" if unknown."""

    def scan(self, path: str = "") -> list[Entry]:
        """List one folder, sorted by name as bytes; a failed stat raises, it never hides."""

    def stat(self, path: str) -> Entry | None:
        """Return the entry, or None if nothing is there."""

    def open_read(self, path: str, *, past_cache: bool = False) -> OpenFile:
        """Open a regular file. past_cache: the bytes come from the device, as far as it goes.

        With past_cache, read_into wants offsets in multiples of DIRECT_ALIGN_BYTES and a view
        from Disk.aligned_buffer().
        """

    def open_write(self, path: str, *, create: bool = True) -> OpenFile:
        """Open a regular file for writing at any offset, made (empty) if it is not there."""

    def make_folders(self, path: str) -> None:
        """Make path and its parents, as far as they are missing."""

    def make_new_file(self, path: str, data: bytes) -> None:
        """Write, sync and close a file that must not exist yet."""

    def replace_file(self, path: str, data: bytes) -> None:
        """Write beside, sync, rename over path, sync the folder: old or new, never half."""

    def read_file(self, path: str, *, bytes_max: int) -> bytes:
        """Return the whole content. Raises OSError(EFBIG) if it is longer than bytes_max."""

    def rename_new(self, source: str, target: str) -> None:
        """Rename a file or folder; raises FileExistsError if target is there in any form."""

    def remove_file(self, path: str) -> None: ...

    def remove_tree(self, path: str) -> None:
        """Remove a folder and all below it, following no links; missing is fine."""

    def sync_folder(self, path: str = "") -> None:
        """Return when the names in this one folder are durable."""

    def sync_all(self, paths: Iterable[str]) -> None:
        """Return when everything written to this file system is durable (syncfs).

        paths: the files and folders meant, all else may be. A file system that knows no such call
        has them synced one by one, with all folders above them.
        """

    def free_bytes(self) -> int:
        """Return how much can be written; raises OSError(EROFS) where nothing ever can."""

    def close(self) -> None: ...


class Disk(Protocol):
    """Files, as far as the inner rooms may touch them."""

    def open_folder(self, path: str) -> Folder:
        """Open a folder by its absolute path. Raises OSError."""

    def aligned_buffer(self, size_bytes: int) -> memoryview:
        """Return a writable buffer that direct reads accept."""

    async def aside(self, work: Callable[..., T], *args: Any) -> T:
        """Run blocking work beside the event loop and return its result."""

    def user(self) -> str:
        """Return whose rights count for all of this, for people."""


class PeerCalls(Protocol):
    """Questions to one paired peer over the control plane."""

    async def ask(self, question: Any) -> Any:
        """Send a wire.messages question and return its answer.

        Raises PeerUnreachableError (try again) or PeerRefusedError.
        """

    async def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class Ports:
    """The four together, as a node is assembled with them."""

    clock: Clock
    chance: Chance
    disk: Disk
    lines: Lines
