"""Where things lie on a storage, and walks over them.

<root>/.syncd/incoming/<roll id>/roll      media of an unfinished roll, as it will be published
<root>/.syncd/incoming/<roll id>/evidence  its manifests and lists, as received, until it is sealed
<root>/.syncd/incoming/<roll id>/inventory what it consists of      } so that it can be understood
<root>/.syncd/incoming/<roll id>/parcels   what of it is durable     } without a journal; papers.py
<root>/.syncd/rolls/<roll id>              what a published roll is  }
<root>/.syncd/rolls/<roll id>.told         everybody was told of it
<root>/.syncd/rolls/<roll id>.put-away     a person put it away for good
<root>/.syncd/tried                        written and removed, to see whether that works again
<root>/.syncd/speed/<number>               what `syncd speed` writes, for some seconds
<root>/DAY/ROLL                            published
"""

import errno
from collections.abc import Iterator

from syncd.limits import MANIFEST_DEPTH_MAX
from syncd.ports import Entry, EntryKind, Folder
from syncd.roll.inventory import FileEntry, FileKind, Inventory

INCOMING = ".syncd/incoming"
ROLLS = ".syncd/rolls"
SPEED = ".syncd/speed"
TRIED = ".syncd/tried"


def incoming_of(roll_id: str) -> str:
    """Return the folder of one unfinished roll."""
    return f"{INCOMING}/{roll_id}"


def media_root(roll_id: str) -> str:
    """Return the folder that will be renamed to DAY/ROLL."""
    return f"{incoming_of(roll_id)}/roll"


def evidence_root(roll_id: str) -> str:
    """Return the folder of the manifests and lists as they were received."""
    return f"{incoming_of(roll_id)}/evidence"


def stored_path(roll_id: str, entry: FileEntry) -> str:
    """Return where a file of an unfinished roll lies."""
    root = media_root if entry.kind is FileKind.MEDIA else evidence_root
    return f"{root(roll_id)}/{entry.path}"


def target_of(inventory: Inventory) -> str:
    """Return where the roll will be published; without a day, right below the root."""
    return f"{inventory.day}/{inventory.name}" if inventory.day else inventory.name


def folder_of(path: str) -> str:
    """Return the folder above path, "" at the top."""
    return path.rpartition("/")[0]


def walk(folder: Folder, root: str) -> Iterator[tuple[str, Entry]]:
    """Yield every entry below root, folders before what is in them, by path relative to root.

    Raises OSError; a missing root is empty.
    """
    try:
        entries = folder.scan(root)
    except FileNotFoundError:
        return
    yield from _walk(folder, root, "", entries)


def _walk(
    folder: Folder, root: str, prefix: str, entries: list[Entry]
) -> Iterator[tuple[str, Entry]]:
    assert prefix.count("/") <= MANIFEST_DEPTH_MAX + 1, "names were checked before they were made"
    entries.reverse()
    while entries:  # let go of one by one: a folder may have hundreds of thousands
        entry = entries.pop()
        path = prefix + entry.name
        yield path, entry
        if entry.kind is EntryKind.FOLDER:
            yield from _walk(folder, root, f"{path}/", folder.scan(f"{root}/{path}"))


def files_below(folder: Folder, root: str) -> dict[str, Entry]:
    """Return all that is no folder below root, by path relative to root."""
    return {p: e for p, e in walk(folder, root) if e.kind is not EntryKind.FOLDER}


def file_at(folder: Folder, path: str) -> Entry | None:
    """Return what is there; a file or link in the place of a folder above it makes it missing."""
    try:
        return folder.stat(path)
    except OSError as error:
        if error.errno in {errno.ENOTDIR, errno.ELOOP}:
            return None
        raise
