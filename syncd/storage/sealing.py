"""Sealing: the proved media get their evidence, old and new, and all of it is made durable.

Owns: that sealing may be repeated after a crash at any step and gives the same: it always starts
from the evidence as received. Must not: touch anything outside the roll's incoming folder.
"""

import errno
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import suppress

from syncd.counted import counted
from syncd.errors import HeldError
from syncd.evidence.ascmhl_write import NewFile
from syncd.evidence.hashers import new_hasher
from syncd.limits import READ_BYTES
from syncd.ports import Entry, EntryKind, Folder
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, FileKind, Inventory
from syncd.roll.stages import HeldCode
from syncd.storage.layout import folder_of, media_root, stored_path, walk
from syncd.storage.reading import hash_stored, is_same_time
from syncd.storage.receiving import ReceivingRoll

# Gives the files of the next generation; one may replace a received one (a chain).
Generation = Callable[[], Iterable[NewFile]]


class ChangedMeanwhileError(Exception):
    """Media are not as they were left when they were read back: their proofs are void.

    files: their indexes in the inventory. touched: those of them that only show another change
        time, which chmod or a copy of the storage may have given them, or a moody file system.
    """

    def __init__(self, files: tuple[int, ...], touched: frozenset[int]) -> None:
        super().__init__(f"{counted(len(files), 'file')} changed after they were read back")
        self.files = files
        self.touched = touched


def seal(roll: ReceivingRoll, generation: Generation) -> tuple[FileEntry, ...]:
    """Complete a roll in which every file is proved; return the evidence that lies in it now.

    Raises OSError, HeldError(read-back-mismatch) if the evidence does not read back, or
    ChangedMeanwhileError.
    """
    assert roll.is_all_proved, "only what was proved is sealed"
    roll.close()
    folder = roll.area.present()
    root = media_root(roll.roll_id)
    folder.make_folders(root)
    _drop_earlier_attempt(folder, root, roll.inventory)
    for path in roll.inventory.empty_folders:
        folder.make_folders(f"{root}/{path}")
    received = [e for e in roll.inventory.files if e.kind is FileKind.EVIDENCE]
    for entry in received:
        _copy(folder, stored_path(roll.roll_id, entry), f"{root}/{entry.path}", entry.mtime_ns)
    written: dict[str, tuple[int, Digest]] = {}
    for file in generation():
        folder.make_folders(folder_of(f"{root}/{file.path}"))
        written[file.path] = _write(folder, f"{root}/{file.path}", file.parts)
    added = [*(e.path for e in received), *written, *roll.inventory.empty_folders]
    folder.sync_all(f"{root}/{path}" for path in added)
    sealed = tuple(_sealed(folder, root, received, written))
    _read_back(roll, folder, root, sealed)
    # Last, so that as little time as can be is left for somebody to change what was proved.
    _check_media(roll, folder, root)
    return sealed


def _drop_earlier_attempt(folder: Folder, root: str, inventory: Inventory) -> None:
    """Remove all that is no media: it is put there again from what was received."""
    media = _media_indexes(inventory)
    others = [
        path
        for path, there in walk(folder, root)
        if there.kind is not EntryKind.FOLDER and path not in media
    ]
    for path in others:
        folder.remove_file(f"{root}/{path}")


def _media_indexes(inventory: Inventory) -> dict[str, int]:
    """Return the place of each media file in the inventory, by path."""
    files = enumerate(inventory.files)
    return {entry.path: index for index, entry in files if entry.kind is FileKind.MEDIA}


def _write(folder: Folder, path: str, parts: Iterable[bytes]) -> tuple[int, Digest]:
    """Write a file anew and return its size and digest; sync_all() makes it durable."""
    hasher = new_hasher(Algorithm.XXH128)
    with suppress(FileNotFoundError):
        folder.remove_file(path)
    file = folder.open_write(path)
    try:
        size_bytes = 0
        for part in parts:
            file.write([memoryview(part)], size_bytes)
            hasher.update(part)
            size_bytes += len(part)
    finally:
        file.close()
    return size_bytes, hasher.digest()


def _copy(folder: Folder, source: str, target: str, mtime_ns: int) -> None:
    folder.make_folders(folder_of(target))
    reading = folder.open_read(source)
    try:
        writing = folder.open_write(target)
        try:
            buffer = memoryview(bytearray(min(READ_BYTES, reading.size_bytes() + 1)))
            offset = 0
            while count := reading.read_into(buffer, offset):
                writing.write([buffer[:count]], offset)
                offset += count
            writing.set_mtime(mtime_ns)
        finally:
            writing.close()
    finally:
        reading.close()


def _check_media(roll: ReceivingRoll, folder: Folder, root: str) -> None:
    """Raise ChangedMeanwhileError unless all media have the size and times they were left with."""
    left = _media_indexes(roll.inventory)
    change_times = roll.change_times()
    touched: set[int] = set()
    for path, found in walk(folder, root):
        if path not in left or not _is_as_left(roll, left[path], found):
            continue
        index = left[path]
        if found.changed_ns != change_times.get(index) and not roll.is_moody(index):
            touched.add(index)
        else:
            del left[path]
    if left:
        raise ChangedMeanwhileError(tuple(left.values()), frozenset(touched))


def _is_as_left(roll: ReceivingRoll, index: int, found: Entry) -> bool:
    entry = roll.inventory.files[index]
    if found.kind is not EntryKind.FILE or found.size_bytes != entry.size_bytes:
        return False
    # A file system that keeps no times shows another one: that of its last proof will do.
    is_kept = roll.times_kept.get(index) == found.mtime_ns
    return is_kept or is_same_time(found.mtime_ns, entry.mtime_ns)


def _sealed(
    folder: Folder,
    root: str,
    received: list[FileEntry],
    written: Mapping[str, tuple[int, Digest]],
) -> Iterator[FileEntry]:
    yield from (entry for entry in received if entry.path not in written)
    for path, (size_bytes, digest) in written.items():
        there = folder.stat(f"{root}/{path}")
        if there is None:
            raise FileNotFoundError(errno.ENOENT, "it is gone again", path)
        yield FileEntry(path, size_bytes, there.mtime_ns, (digest,), FileKind.EVIDENCE)


def _read_back(
    roll: ReceivingRoll, folder: Folder, root: str, sealed: tuple[FileEntry, ...]
) -> None:
    for entry in sealed:
        algorithms = [digest.algorithm for digest in entry.digests]
        path = f"{root}/{entry.path}"
        found = hash_stored(roll.area.disk, folder, path, algorithms, past_cache=True)
        if found != entry.digests:
            raise _changed_meanwhile(roll.inventory, entry.path)


def _changed_meanwhile(inventory: Inventory, path: str) -> HeldError:
    return HeldError(
        HeldCode.READ_BACK_MISMATCH,
        f"{inventory.day}/{inventory.name}: {path} is not on the storage as it was written just "
        "before.",
        remedy="Check the storage's disks and who else writes to .syncd on it, then `syncd go` "
        "the roll.",
        path=path,
    )
