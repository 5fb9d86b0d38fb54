"""Sealing: the proved media get their evidence, old and new, and all of it is made durable.

Owns: that sealing may be repeated after a crash at any step and gives the same: it always starts
from the evidence as received. Must not: touch anything outside the roll's incoming folder.
"""

from collections.abc import Callable, Iterator, Mapping

import xxhash

from syncd.errors import HeldError
from syncd.limits import READ_BYTES
from syncd.ports import Entry, EntryKind, Folder
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, FileKind, Inventory
from syncd.roll.stages import HeldCode
from syncd.storage.layout import files_below, folder_of, media_root, stored_path
from syncd.storage.reading import hash_stored, is_same_time
from syncd.storage.receiving import ReceivingRoll

# Gives the files of the next generation, by path in the roll; may replace a received one (a chain).
Generation = Callable[[], Mapping[str, bytes]]


def seal(roll: ReceivingRoll, generation: Generation) -> tuple[FileEntry, ...]:
    """Complete a roll in which every file is proved; return the evidence that lies in it now.

    Raises OSError, or HeldError(read-back-mismatch) if the evidence does not read back.
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
    written = {path: bytes(data) for path, data in generation().items()}
    for path, data in written.items():
        folder.make_folders(folder_of(f"{root}/{path}"))
        folder.replace_file(f"{root}/{path}", data)
    there = files_below(folder, root)
    _set_times(folder, root, roll.inventory, there)
    folder.sync_all()
    sealed = tuple(_sealed(received, written, there))
    _read_back(roll, folder, root, sealed)
    return sealed


def _drop_earlier_attempt(folder: Folder, root: str, inventory: Inventory) -> None:
    """Remove all that is no media: it is put there again from what was received."""
    media = {entry.path for entry in inventory.files if entry.kind is FileKind.MEDIA}
    for path in files_below(folder, root):
        if path not in media:
            folder.remove_file(f"{root}/{path}")


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


def _set_times(folder: Folder, root: str, inventory: Inventory, there: Mapping[str, Entry]) -> None:
    """Set the times of media whose last write came after its time was set (a lazy server)."""
    for entry in inventory.files:
        if entry.kind is not FileKind.MEDIA:
            continue
        found = there.get(entry.path)
        if (
            found is None
            or found.kind is not EntryKind.FILE
            or found.size_bytes != entry.size_bytes
        ):
            raise _changed_meanwhile(inventory, entry.path)
        if not is_same_time(found.mtime_ns, entry.mtime_ns):
            file = folder.open_write(f"{root}/{entry.path}", create=False)
            file.set_mtime(entry.mtime_ns)
            file.close()


def _sealed(
    received: list[FileEntry], written: Mapping[str, bytes], there: Mapping[str, Entry]
) -> Iterator[FileEntry]:
    yield from (entry for entry in received if entry.path not in written)
    for path, data in written.items():
        digest = Digest(Algorithm.XXH128, xxhash.xxh3_128_digest(data))
        yield FileEntry(path, len(data), there[path].mtime_ns, (digest,), FileKind.EVIDENCE)


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
