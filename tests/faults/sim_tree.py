"""What a simulated disk holds: inodes, and for each what is durable of it and what is not yet.

Owns: which unsynced changes a power loss may drop or keep. Promised to callers: what was synced
stays; one rename is atomic; nothing else is ordered. Not modelled: hard links, permissions.
"""

import random
from dataclasses import dataclass, field

from syncd.ports import EntryKind

PAGE_BYTES = 4096


@dataclass(eq=False)
class Inode:
    """A file or folder; what crash() leaves of it starts from the durable half."""

    number: int
    kind: EntryKind
    mtime_ns: int = 0
    durable_mtime_ns: int = 0
    data: bytearray = field(default_factory=bytearray)
    durable: bytearray = field(default_factory=bytearray)
    dirty_pages: set[int] = field(default_factory=set)
    names: dict[str, "Inode"] = field(default_factory=dict)
    durable_names: dict[str, "Inode"] = field(default_factory=dict)
    link_target: str = ""

    def write(self, data: bytes | memoryview, offset: int) -> None:
        """Change the volatile half; a gap becomes zeros, as on a real file system."""
        end = offset + len(data)
        if len(self.data) < end:
            self.dirty_pages.update(range(len(self.data) // PAGE_BYTES, offset // PAGE_BYTES))
            self.data.extend(bytes(end - len(self.data)))
        self.data[offset:end] = data
        self.dirty_pages.update(range(offset // PAGE_BYTES, (end - 1) // PAGE_BYTES + 1))

    def sync(self) -> None:
        """Make data, size and time durable."""
        if len(self.dirty_pages) * PAGE_BYTES >= len(self.data):
            self.durable = bytearray(self.data)
        else:
            self._keep_pages(self.dirty_pages, len(self.data))
        self.durable_mtime_ns = self.mtime_ns
        self.dirty_pages.clear()

    def lose_power(self, rng: random.Random) -> None:
        """Keep any of the unsynced pages, or none."""
        if self.dirty_pages:
            kept = {page for page in sorted(self.dirty_pages) if rng.random() < 0.5}
            size = rng.choice([len(self.durable), len(self.data)])
            self._keep_pages(kept, size)
            self.dirty_pages.clear()
        self.data = bytearray(self.durable)
        self.mtime_ns = self.durable_mtime_ns

    def _keep_pages(self, pages: set[int], size: int) -> None:
        del self.durable[size:]
        self.durable.extend(bytes(size - len(self.durable)))
        for page in pages:
            start, end = page * PAGE_BYTES, min((page + 1) * PAGE_BYTES, size)
            if start < end:
                self.durable[start:end] = self.data[start:end]


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
