"""Telling whether what lies under a roll's name on the storage is that very roll.

Owns: the answer, by names and sizes first, then by reading (promise 7).
Must not: change anything.
"""

from enum import StrEnum
from pathlib import PurePosixPath

from syncd.ports import EntryKind, Folder
from syncd.roll.digests import Algorithm
from syncd.roll.droppings import is_dropping
from syncd.roll.inventory import FileEntry, FileKind, Inventory, media_by_path
from syncd.storage.area import Area
from syncd.storage.days import using_day
from syncd.storage.layout import files_below, target_of
from syncd.storage.reading import hash_stored
from syncd.storage.taken import refuse_twin_there
from syncd.storage.troubles import storage_trouble

_LIST_SUFFIXES = frozenset(
    {
        *(".mhl", ".md5", ".sha1", ".sha256", ".sha512", ".c4", ".xxh", ".xxh64", ".xxh3"),
        *(".xxh128", ".xxhash", ".xxhsum", ".md5sum", ".sha1sum", ".sha256sum", ".sha512sum"),
    }
)


class Comparison(StrEnum):
    """What was found under the name."""

    ABSENT = "absent"
    SAME = "same"
    DIFFERENT = "different"
    NEEDS_DIGESTS = "needs-digests"  # names and sizes agree; without digests nobody can tell


def compare_with_published(area: Area, inventory: Inventory) -> Comparison:
    """Compare a roll with DAY/ROLL on the storage, by reading if names and sizes agree.

    Raises HeldError if the storage is absent or fails, or holds a twin of a name that is free.
    """
    folder = area.folder()
    try:
        return _compare(area, folder, inventory)
    except OSError as error:
        raise storage_trouble(area.path, error) from error


def evidence_there(area: Area, inventory: Inventory) -> tuple[FileEntry, ...]:
    """Return the manifests and lists that lie in a published roll now, each with its digest.

    For a roll that was found to be the same. Raises HeldError if the storage is absent or fails.
    """
    folder = area.folder()
    target = target_of(inventory)
    media = media_by_path(inventory)
    try:
        found = sorted(files_below(folder, target).items(), key=lambda item: item[0].encode())
        return tuple(
            FileEntry(
                path,
                entry.size_bytes,
                entry.mtime_ns,
                hash_stored(area.disk, folder, f"{target}/{path}", (Algorithm.XXH128,)),
                FileKind.EVIDENCE,
            )
            for path, entry in found
            if path not in media and not is_dropping(path)
        )
    except OSError as error:
        raise storage_trouble(area.path, error) from error


def _compare(area: Area, folder: Folder, inventory: Inventory) -> Comparison:
    target = target_of(inventory)
    with using_day(area.path, folder, inventory.day):
        there = folder.stat(target)
        if there is None:
            refuse_twin_there(folder, inventory)
            return Comparison.ABSENT
    if there.kind is not EntryKind.FOLDER or not _has_same_files(folder, target, inventory):
        return Comparison.DIFFERENT
    media = media_by_path(inventory).values()
    if any(not entry.digests for entry in media):
        return Comparison.NEEDS_DIGESTS
    for entry in media:
        algorithms = [digest.algorithm for digest in entry.digests]
        if hash_stored(area.disk, folder, f"{target}/{entry.path}", algorithms) != entry.digests:
            return Comparison.DIFFERENT
    return Comparison.SAME


def _has_same_files(folder: Folder, target: str, inventory: Inventory) -> bool:
    """Tell whether the media files have the same names and sizes; evidence may differ."""
    expected = media_by_path(inventory)
    own_evidence = {entry.path for entry in inventory.files} - set(expected)
    found = files_below(folder, target)
    for path, entry in expected.items():
        there = found.pop(path, None)
        if there is None or there.kind is not EntryKind.FILE:
            return False
        if there.size_bytes != entry.size_bytes:
            return False
    return all(path in own_evidence or _is_evidence(path) or is_dropping(path) for path in found)


def _is_evidence(path: str) -> bool:
    """Tell manifests and lists by their place or name: they may differ in one and the same roll."""
    parts = PurePosixPath(path)
    return "ascmhl" in parts.parts[:-1] or parts.suffix.lower() in _LIST_SUFFIXES
