"""Looking at a landing: which rolls are there, and what one roll consists of.

Owns: the walk, what is skipped, and the signature by which "nothing changed" is one comparison.
Must not: follow or enter a link, write anything, or take a failed listing for an empty one.
"""

import hashlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase

from syncd.limits import MANIFEST_DEPTH_MAX, ROLL_FILES_MAX
from syncd.ports import Entry, EntryKind, Folder
from syncd.rights import NOT_ALLOWED
from syncd.roll.droppings import is_dropping


class ScanFailed(Exception):  # noqa: N818  # it is an answer: "unknown"
    """A folder could not be listed: what is there is unknown, not gone.

    path: the folder, or a file of evidence, relative to the landing.
    is_forbidden: rights lack; what can be done about that is another thing.
    """

    def __init__(self, path: str, error: OSError | str) -> None:
        why = error if isinstance(error, str) else error.strerror or str(error)
        super().__init__(f"{path or 'the landing'}: {why}")
        self.path = path
        self.why = why
        self.is_forbidden = not isinstance(error, str) and error.errno in NOT_ALLOWED


@dataclass(frozen=True, slots=True)
class FoundRoll:
    """A folder that the landing's pattern takes for a roll; path is relative to the landing.

    mark: device, inode and mtime of the folder itself; other ones mean that something else may lie
        there. Equal ones prove nothing. Zeros: not seen yet.
    """

    day: str
    name: str
    path: str
    mark: tuple[int, int, int] = field(default=(0, 0, 0), compare=False)

    @property
    def called(self) -> tuple[str, str]:
        """Day and name."""
        return self.day, self.name


@dataclass(frozen=True, slots=True)
class SeenFile:
    """One regular file as a scan saw it; path is relative to the roll."""

    path: str
    size_bytes: int
    mtime_ns: int
    inode: int


@dataclass(frozen=True, slots=True)
class RollScan:
    """One roll as it was at one moment.

    files, folders: sorted as bytes; droppings are not among them.
    dropped: paths left out as droppings (a folder stands for what is below it).
    dropped_files: those of them that are files; they are sent if the evidence names them.
    others: links, sockets, devices: never followed, never sent.
    beside: files in the day folder, where a checksum list may lie; sorted.
    signature: changes when a file, a folder or a list beside comes, goes or changes; also a
        dropping, since the evidence may name it.
    stamp: changes also when a file was written and given its old size and time, or is another one
        (Entry.changed_ns); only good for this process.
    marks: what each folder was before it was listed, the day folder's among them, by its path on
        the landing. One is another one once a name in it has come, gone or changed.
    """

    files: tuple[SeenFile, ...]
    folders: tuple[str, ...]
    dropped: tuple[str, ...]
    dropped_files: tuple[SeenFile, ...]
    others: tuple[str, ...]
    beside: tuple[SeenFile, ...]
    signature: bytes
    stamp: int
    marks: Mapping[str, tuple[int, ...]]


def find_rolls(folder: Folder, pattern: str = "*/*") -> list[FoundRoll]:
    """List the rolls of a landing. Raises ScanFailed.

    pattern: one shell pattern per level; the last level is the roll, the one above it the day
    (a pattern of one level has the day "").
    """
    found = [FoundRoll("", "", "")]
    for level in pattern.split("/"):
        found = [
            _found(above.path, entry)
            for above in found
            for entry in _list(folder, above.path)
            if _is_candidate(entry) and fnmatchcase(entry.name, level)
        ]
    return found


def _found(above: str, entry: Entry) -> FoundRoll:
    path = _join(above, entry.name)
    mark = (entry.device, entry.inode, entry.mtime_ns)
    return FoundRoll(day_of(path), entry.name, path, mark)


def day_of(path: str) -> str:
    """Return the name of the folder above a roll, or ""."""
    return path.split("/")[-2] if "/" in path else ""


def are_as_marked(folder: Folder, marks: Mapping[str, tuple[int, ...]]) -> bool:
    """Tell whether no name in these folders has come, gone or changed since they were marked."""
    try:
        return all(_mark(folder.stat(path)) == mark for path, mark in marks.items())
    except OSError:
        return False


_NO_MARK = (-1,)  # is never met again


def _mark(entry: Entry | None) -> tuple[int, ...]:
    if entry is None:
        return ()
    return entry.device, entry.inode, entry.mtime_ns, entry.changed_ns


def scan_roll(folder: Folder, path: str) -> RollScan:
    """Walk one roll and look at the files beside it. Raises ScanFailed.

    path: the roll, relative to folder, which is the landing.
    """
    parent = path.rpartition("/")[0]
    walk = _Walk(folder, path)
    for above in (parent, path):
        walk.mark(above)
    walk.enter("", 0)
    beside = tuple(_files_of(_list(folder, parent))) if parent else ()
    files = tuple(sorted(walk.files, key=lambda file: _raw(file.path)))
    folders = tuple(sorted(walk.folders, key=_raw))
    return RollScan(
        files=files,
        folders=folders,
        dropped=tuple(sorted(walk.dropped, key=_raw)),
        dropped_files=tuple(walk.dropped_files),
        others=tuple(sorted(walk.others, key=_raw)),
        beside=beside,
        signature=_sign((files, beside, walk.dropped_files), folders),
        stamp=walk.stamp,
        marks=walk.marks,
    )


class _Walk:
    """Collects one roll, folder by folder."""

    def __init__(self, folder: Folder, root: str) -> None:
        self._folder = folder
        self._root = root
        self.files: list[SeenFile] = []
        self.folders: list[str] = []
        self.dropped: list[str] = []
        self.dropped_files: list[SeenFile] = []
        self.others: list[str] = []
        self.stamp = 0
        self.marks: dict[str, tuple[int, ...]] = {}

    def mark(self, path: str) -> None:
        """Note what a folder is before it is listed; path: on the landing."""
        try:
            self.marks[path] = _mark(self._folder.stat(path))
        except OSError:  # whether that matters, listing tells
            self.marks[path] = _NO_MARK

    def enter(self, path: str, depth: int) -> None:
        """Take in one folder of the roll, and all below."""
        full = _join(self._root, path)
        if depth > MANIFEST_DEPTH_MAX:
            raise ScanFailed(full, f"folders are nested more than {MANIFEST_DEPTH_MAX} deep")
        entries = _list(self._folder, full)
        entries.reverse()
        while entries:  # let go of one by one: a folder may have hundreds of thousands
            entry = entries.pop()
            self._take(_join(path, entry.name), entry, depth)
        if len(self.files) > ROLL_FILES_MAX:
            raise ScanFailed(self._root, f"the roll has more than {ROLL_FILES_MAX} files")

    def _take(self, path: str, entry: Entry, depth: int) -> None:
        if is_dropping(entry.name):
            self.dropped.append(path)
            if entry.kind is EntryKind.FILE:
                self.dropped_files.append(_seen(path, entry))
        elif entry.kind is EntryKind.FILE:
            self.files.append(_seen(path, entry))
            # A sum, as entries come in any order.
            self.stamp += hash((path, entry.inode, entry.changed_ns))
        elif entry.kind is EntryKind.FOLDER:
            self.folders.append(path)
            self.marks[_join(self._root, path)] = _mark(entry)
            self.enter(path, depth + 1)
        else:
            self.others.append(path)


def _list(folder: Folder, path: str) -> list[Entry]:
    try:
        return folder.scan(path)
    except OSError as error:
        raise ScanFailed(path, error) from error


def _is_candidate(entry: Entry) -> bool:
    is_hidden = entry.name.startswith(".")
    return entry.kind is EntryKind.FOLDER and not is_hidden and not is_dropping(entry.name)


def _files_of(entries: Iterable[Entry]) -> Iterator[SeenFile]:
    for entry in entries:
        if entry.kind is EntryKind.FILE and not is_dropping(entry.name):
            yield _seen(entry.name, entry)


def _seen(path: str, entry: Entry) -> SeenFile:
    return SeenFile(path, entry.size_bytes, entry.mtime_ns, entry.inode)


def _sign(groups: Iterable[Iterable[SeenFile]], folders: Iterable[str]) -> bytes:
    hasher = hashlib.blake2b(digest_size=16)
    for group in groups:
        for file in group:
            numbers = f"\0{file.size_bytes}\0{file.mtime_ns}\0{file.inode}\0"
            hasher.update(_raw(file.path) + numbers.encode())
        hasher.update(b"\0\0")
    for path in folders:
        hasher.update(_raw(path) + b"\0")
    return hasher.digest()


def _join(path: str, name: str) -> str:
    return f"{path}/{name}" if path and name else path or name


def _raw(name: str) -> bytes:
    return name.encode("utf-8", "surrogateescape")
