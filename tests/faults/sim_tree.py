"""What a simulated disk holds: inodes, and for each what is durable of it and what is not yet.

Owns: which unsynced changes a power loss may drop or keep. Promised to callers: what was synced
stays; one rename is atomic; nothing else is ordered. Not modelled: hard links, permissions.

Modelled, each by chance at every power loss and for every file on its own:
    data    none of the unsynced writes; all; the first ones only; any of them; any of their pages
            (4 KiB); any of their sectors (512 bytes), in any order
    size    the old one, the new one, or as far as the last kept write reaches; what is below it and
            was not kept reads as before, or as zeros where there was nothing
    time    the old ones or the new ones, mtime and change time together: one inode is written
    names   any of the unsynced creations, removals and renames, but none of a name without the
            earlier ones of that name; independent of data: a name may be there without its data, a
            rename may survive without the data or the data without the rename
A killed process, against that, loses nothing of what it wrote: kill() keeps everything.
A sync that failed leaves its writes clean and not durable: a reader past the cache gets what was
there before, and no later sync brings them back.
"""

import random
from dataclasses import dataclass, field

from syncd.ports import EntryKind

PAGE_BYTES = 4096
SECTOR_BYTES = 512

Write = tuple[int, bytes]  # offset, data


@dataclass(eq=False)
class Inode:
    """A file or folder; what lose_power() leaves of it starts from the durable half.

    writes: since the last sync, in order. lost: of those, what a failed sync has called clean.
    """

    number: int
    kind: EntryKind
    mtime_ns: int = 0
    changed_ns: int = 0
    durable_mtime_ns: int = 0
    durable_changed_ns: int = 0
    data: bytearray = field(default_factory=bytearray)
    durable: bytearray = field(default_factory=bytearray)
    writes: list[Write] = field(default_factory=list)
    lost: bool = False
    names: dict[str, "Inode"] = field(default_factory=dict)
    durable_names: dict[str, "Inode"] = field(default_factory=dict)
    link_target: str = ""

    def write(self, data: bytes | memoryview, offset: int) -> None:
        """Change the volatile half; a gap becomes zeros, as on a real file system."""
        self.writes.append((offset, bytes(data)))
        _put(self.data, offset, data)

    def sync(self) -> None:
        """Make data, size and time durable; not what an earlier sync has failed to."""
        if self.lost:
            _keep(self.durable, self.writes, len(self.data))
        else:
            self.durable = bytearray(self.data)
        self._keep_times()
        self.writes.clear()

    def fail_sync(self, rng: random.Random) -> None:
        """Call what was written clean, and have any of it durable or not."""
        _keep(self.durable, _torn(self.writes, rng), len(self.data))
        self.writes.clear()
        self.lost = True

    def drop_cache(self) -> None:
        """Show from now on what the device has, where a failed sync has hidden it."""
        if self.lost:
            self.data = bytearray(self.durable)
            _keep(self.data, self.writes, len(self.data))

    def lose_power(self, rng: random.Random) -> None:
        """Keep any of the unsynced writes, or none."""
        if self.writes:
            kept = _torn(self.writes, rng)
            reach = max((offset + len(data) for offset, data in kept), default=0)
            old = len(self.durable)
            _keep(self.durable, kept, rng.choice([old, len(self.data), max(old, reach)]))
            self.writes.clear()
        if self.changed_ns != self.durable_changed_ns and rng.random() < 0.5:
            self._keep_times()
        self.data = bytearray(self.durable)
        self.mtime_ns, self.changed_ns = self.durable_mtime_ns, self.durable_changed_ns
        self.lost = False

    def _keep_times(self) -> None:
        self.durable_mtime_ns, self.durable_changed_ns = self.mtime_ns, self.changed_ns


def _put(into: bytearray, offset: int, data: bytes | memoryview) -> None:
    """Write into a file's bytes, which grow as they must."""
    end = offset + len(data)
    if len(into) < end:
        into.extend(bytes(end - len(into)))
    into[offset:end] = data


def _keep(durable: bytearray, writes: list[Write], size: int) -> None:
    for offset, data in writes:
        _put(durable, offset, data)
    del durable[size:]
    durable.extend(bytes(size - len(durable)))


_FATES = ("none", "all", "first", "some", "pages", "sectors")


def _torn(writes: list[Write], rng: random.Random) -> list[Write]:
    """Return what of some writes reached the device before the power went."""
    match rng.choice(_FATES):
        case "none":
            return []
        case "all":
            return list(writes)
        case "first":
            return writes[: int(rng.random() * (len(writes) + 1))]
        case "some":
            return [write for write in writes if rng.random() < 0.5]
        case "pages":
            return _pieces_of(writes, PAGE_BYTES, rng)
    return _pieces_of(writes, SECTOR_BYTES, rng)


def _pieces_of(writes: list[Write], unit_bytes: int, rng: random.Random) -> list[Write]:
    pieces = []
    for offset, data in writes:
        start = 0
        while start < len(data):
            end = min(len(data), start + unit_bytes - (offset + start) % unit_bytes)
            if rng.random() < 0.5:
                pieces.append((offset + start, data[start:end]))
            start = end
    return pieces


@dataclass(eq=False)
class NameChange:
    """One create, remove or rename: all of its assignments become durable, or none.

    unsynced: folders that were not synced since; durable when there is none left.
    """

    assignments: list[tuple[Inode, str, Inode | None]]
    unsynced: set[Inode] = field(default_factory=set)


class Tree:
    """All inodes below one root, and the changes of names that are not durable yet."""

    def __init__(self) -> None:
        self._count = 1
        self.root = Inode(1, EntryKind.FOLDER)
        self.pending: list[NameChange] = []
        self.used_bytes = 0

    def new(self, kind: EntryKind) -> Inode:
        """Return an inode that has no name yet."""
        self._count += 1
        return Inode(self._count, kind)

    def change(self, *assignments: tuple[Inode, str, Inode | None]) -> None:
        """Change names now; durable once every folder concerned was synced."""
        for folder, name, inode in assignments:
            _assign(folder.names, name, inode)
            folder.mtime_ns += 1  # another time, as a folder has with each change of a name in it
        self.pending.append(NameChange(list(assignments), {a[0] for a in assignments}))

    def sync_names(self, folder: Inode) -> None:
        """Make the names in one folder durable."""
        waiting: list[NameChange] = []
        for change in self.pending:
            change.unsynced.discard(folder)
            if change.unsynced:
                waiting.append(change)
            else:
                self._settle(change, waiting)
        self.pending = waiting

    def _settle(self, change: NameChange, earlier: list[NameChange]) -> None:
        """Make a change durable; it supersedes earlier ones of the same names."""
        for folder, name, inode in change.assignments:
            _assign(folder.durable_names, name, inode)
            for other in earlier:
                other.assignments = [a for a in other.assignments if a[:2] != (folder, name)]

    def sync_all(self) -> None:
        """Make everything durable."""
        for change in self.pending:
            self._settle(change, [])
        self.pending = []
        for inode in self.walk():
            inode.sync()

    def kill(self) -> None:
        """Let only the process go: what it wrote is in the system's cache, and stays."""
        self.used_bytes = sum(len(inode.data) for inode in self.walk())

    def lose_power(self, rng: random.Random) -> None:
        """Keep any of the unsynced changes, or none, then show only what is durable."""
        dropped: set[tuple[Inode, str]] = set()
        for change in self.pending:
            names = {(folder, name) for folder, name, _ in change.assignments}
            # A change of a name rests on the earlier change of that name.
            if rng.random() < 0.5 and not names & dropped:
                self._settle(change, [])
            else:
                dropped |= names
        self.pending = []
        self._fall_back(self.root, rng)
        self.used_bytes = sum(len(inode.data) for inode in self.walk())

    def _fall_back(self, inode: Inode, rng: random.Random) -> None:
        inode.lose_power(rng)
        inode.names = dict(sorted(inode.durable_names.items()))
        inode.durable_names = dict(inode.names)
        for inner in inode.names.values():
            self._fall_back(inner, rng)

    def walk(self) -> list[Inode]:
        """Return every inode that has a name now, and the root."""
        found = [self.root]
        for inode in found:
            found.extend(inode.names.values())
        return found


def _assign(names: dict[str, Inode], name: str, inode: Inode | None) -> None:
    if inode is None:
        names.pop(name, None)
    else:
        names[name] = inode
