"""Is a published roll still on the storage as it was published? Asked before a peer is told so.

Owns: the look at names, sizes and times, and the reading of what only its times put in doubt.
Must not: change anything (promise 2).
"""

from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass

from syncd.counted import counted
from syncd.ports import Entry, EntryKind, Folder
from syncd.roll.digests import Digest
from syncd.roll.inventory import FileEntry, Inventory, media_by_path
from syncd.storage.area import Area
from syncd.storage.layout import file_at, target_of
from syncd.storage.papers import find_published
from syncd.storage.reading import hash_stored, is_same_time
from syncd.storage.rereading import found_wrong
from syncd.storage.taken import name_taken
from syncd.storage.troubles import storage_trouble


@dataclass(frozen=True, slots=True)
class Times:
    """What a file's times were before it was last read and found good."""

    mtime_ns: int
    changed_ns: int


def known_times(inventory: Inventory, changed_ns: Mapping[int, int]) -> dict[str, Times]:
    """Return the times that files had with their proofs, by path; changed_ns: by index."""
    return {
        entry.path: Times(entry.mtime_ns, changed_ns[index])
        for index, entry in enumerate(inventory.files)
        if index in changed_ns
    }


def find_doubtful(
    area: Area,
    inventory: Inventory,
    known: Mapping[str, Times],
    moody: Container[str] = frozenset(),
) -> list[FileEntry] | None:
    """Return the media files that are to be read again; None if the roll's folder is gone.

    known: the times that each file had when it was last read and found good; one that is not
    in it is doubtful. moody: files whose change time says nothing.
    Raises HeldError: storage-absent; read-back-mismatch for the first file that is missing or has
    another size; name-taken if there is no folder, but something else.
    """
    folder, target = area.present(), target_of(inventory)
    try:
        there = folder.stat(target)
        is_folder = there is not None and there.kind is EntryKind.FOLDER
        changed = list(_changed(folder, inventory, known, moody)) if is_folder else []
        taken = None if there is None or is_folder else name_taken(folder, inventory)
    except OSError as error:
        raise storage_trouble(area.path, error) from error
    area.present()  # what is not found on a storage that went away meanwhile is not gone
    if there is None:
        return None
    if taken is not None:
        raise taken
    for entry, reason in changed:
        if reason:
            raise found_wrong(inventory, entry.path, reason, area.box)
    return [entry for entry, _ in changed]


def read_again(
    area: Area, roll_id: str, inventory: Inventory, doubtful: Sequence[FileEntry]
) -> dict[str, Times]:
    """Read published files again; return the times that each good one had before it was read.

    A file of which no digest is known is good by its size: nothing else was ever compared.
    Raises HeldError: storage-absent; read-back-mismatch for the first that is not as published.
    """
    folder, target = area.present(), target_of(inventory)
    good: dict[str, Times] = {}
    try:
        kept = _kept_digests(folder, roll_id)
        for entry in doubtful:
            path = f"{target}/{entry.path}"
            there = file_at(folder, path)
            if there is None:
                continue  # the next look says so
            expected = kept.get(entry.path, entry.digests)
            if expected:
                algorithms = [digest.algorithm for digest in expected]
                found = hash_stored(area.disk, folder, path, algorithms, past_cache=True)
                if found != expected:
                    reason = f"{expected[0]} expected, {found[0]} read"
                    raise found_wrong(inventory, entry.path, reason, area.box)
            good[entry.path] = Times(there.mtime_ns, there.changed_ns)
    except OSError as error:
        raise storage_trouble(area.path, error) from error
    return good


def _changed(
    folder: Folder, inventory: Inventory, known: Mapping[str, Times], moody: Container[str]
) -> Iterator[tuple[FileEntry, str]]:
    """Yield each media file that is not as it was, and why; "" if only its times say so."""
    target = target_of(inventory)
    for path, entry in media_by_path(inventory).items():
        there = file_at(folder, f"{target}/{path}")
        if there is None:
            yield entry, "it is missing"
        elif there.kind is not EntryKind.FILE:
            yield entry, "it is no regular file any more"
        elif there.size_bytes != entry.size_bytes:
            yield entry, f"it has {counted(there.size_bytes, 'byte')}, not {entry.size_bytes:,}"
        elif not _is_as_read(there, entry, known.get(path), is_moody=path in moody):
            yield entry, ""


def _is_as_read(there: Entry, entry: FileEntry, then: Times | None, *, is_moody: bool) -> bool:
    """Tell whether a file has the times it had when it was last read, or was published with."""
    if then is None or not (is_moody or there.changed_ns == then.changed_ns):
        return False
    return there.mtime_ns == then.mtime_ns or is_same_time(there.mtime_ns, entry.mtime_ns)


def _kept_digests(folder: Folder, roll_id: str) -> dict[str, tuple[Digest, ...]]:
    """Return the digests that were noted on the storage when the roll was published."""
    record = find_published(folder, roll_id)
    if record is None:
        return {}
    return {entry.path: entry.digests for entry in record.media()}
