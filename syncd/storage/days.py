"""The folder of a day, in which rolls are published: what it means that it cannot be used.

Owns: telling a folder that a person or another program made so from a disk that fails.
Must not: make, change or remove it.
"""

import errno
from collections.abc import Iterator
from contextlib import contextmanager

from syncd.errors import HeldError
from syncd.ports import EntryKind, Folder
from syncd.rights import NOT_ALLOWED
from syncd.roll.stages import HeldCode
from syncd.storage.troubles import why

_UNUSABLE = NOT_ALLOWED | {errno.ENOTDIR, errno.ELOOP}
_WORDS = {EntryKind.FILE: "it is a file", EntryKind.LINK: "it is a symbolic link"}


@contextmanager
def using_day(storage: str, folder: Folder, day: str) -> Iterator[None]:
    """Do something in the folder of a day; it may be missing still.

    storage: its path, as people know it. day: "" if rolls lie right below the root.
    Raises HeldError(storage-error) that names the folder if it cannot be used; other OSErrors pass.
    """
    try:
        yield
    except OSError as error:
        if not day or error.errno not in _UNUSABLE:
            raise
        raise _unusable(storage, folder, day, error) from error


def _unusable(storage: str, folder: Folder, day: str, error: OSError) -> HeldError:
    path = f"{storage}/{day}"
    there = folder.stat(day)
    if there is None:
        problem, subject = f"The folder {path} cannot be made: {why(error)}.", storage
    else:
        reason = _WORDS.get(there.kind, why(error))
        problem, subject = f"Rolls cannot be published in {path}: {reason}.", path
    if there is not None and there.kind is not EntryKind.FOLDER:
        remedy = f"Move {path} away, so that syncd can make a folder of that name"
    else:
        remedy = (
            f"Let the user that syncd runs as write in {subject} (its owner and permissions, and "
            "whether it is marked immutable)"
        )
    return HeldError(
        HeldCode.STORAGE_ERROR,
        problem,
        remedy=f"{remedy}, then `syncd go` the roll; what was confirmed stays.",
    )
