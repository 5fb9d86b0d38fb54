"""A published roll that is not where it was published: what to say, and where it may lie now.

Owns: the look for it by names, sizes and times, which reads no media.
Must not: change anything there, or believe that what it finds is good; that is for reading back.
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from itertools import islice

from syncd.ports import EntryKind, Folder
from syncd.roll.inventory import FileEntry, Inventory, media_by_path
from syncd.storage.layout import target_of
from syncd.storage.reading import is_same_time

LOOKED_AT_MAX = 1_000  # folders that may be the roll
COMPARED_MAX = 64  # files of each that are compared


@dataclass(frozen=True, slots=True)
class Missing:
    """What is said of such a roll. now_at: where on the storage it seems to lie, "" if unknown."""

    message: str
    remedy: str
    now_at: str


def find_missing(
    folder: Folder, root: str, inventory: Inventory, box: str, taken: Collection[str]
) -> Missing | None:
    """Return what to say if the roll is not at its place; None if it is. Raises OSError.

    root: the storage's path. box: whose storage it is. taken: where other rolls were published.
    """
    target = target_of(inventory)
    if is_there(folder, target):
        return None
    now_at = next(_lookalikes(folder, inventory, taken), "")
    message = f"{target} is gone from where {box} published it, {root}/{target}"
    if now_at:
        message += f"; what lies there as {now_at} has its files, by name, size and time"
        remedy = f"On {box}, rename {root}/{now_at} back to {root}/{target}: syncd finds it there."
    else:
        remedy = (
            f"If it is still wanted, bring it back to that place on {box}, or have the box that "
            f"offloads it hand it over again: `syncd go {target}` there. If it was put away for "
            f"good, say `syncd go {target}` on {box}. Clear no card of it before that."
        )
    return Missing(f"{message}.", remedy, now_at)


def is_there(folder: Folder, path: str) -> bool:
    """Tell whether a roll's folder is at its place; what else may be there is none."""
    try:
        there = folder.stat(path)
    except NotADirectoryError:
        return False
    return there is not None and there.kind is EntryKind.FOLDER


def _lookalikes(folder: Folder, inventory: Inventory, taken: Collection[str]) -> Iterator[str]:
    media = list(media_by_path(inventory).values())[:COMPARED_MAX]
    for path in islice(_places(folder, inventory), LOOKED_AT_MAX):
        if path in taken:
            continue
        if media and all(_has(folder, f"{path}/{entry.path}", entry) for entry in media):
            yield path


def _places(folder: Folder, inventory: Inventory) -> Iterator[str]:
    """Yield folders that may be the roll: beside its place, at the top, under another day."""
    tops = [entry.name for entry in folder.scan("") if entry.kind is EntryKind.FOLDER]
    if inventory.day in tops:
        for entry in folder.scan(inventory.day):
            if entry.kind is EntryKind.FOLDER:
                yield f"{inventory.day}/{entry.name}"
    for name in tops:
        if name != ".syncd":
            yield f"{name}/{inventory.name}"
            yield name


def _has(folder: Folder, path: str, entry: FileEntry) -> bool:
    try:
        there = folder.stat(path)
    except NotADirectoryError:
        return False
    if there is None or there.kind is not EntryKind.FILE:
        return False
    is_size = there.size_bytes == entry.size_bytes
    return is_size and is_same_time(there.mtime_ns, entry.mtime_ns)
