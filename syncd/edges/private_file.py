"""A small file in the state folder that nobody but syncd's user may read or write.

Owns: reading it within a bound, replacing it whole and durably, keeping a broken one aside.
Must not: know what is in it.
"""

import os
import stat
from contextlib import suppress
from pathlib import Path

from syncd.edges.system_calls import sync_descriptor

MODE = 0o600


def read_private(path: Path, *, bytes_max: int) -> bytes | None:
    """Return the content, None if there is no such file.

    Raises PermissionError if another user may write it, OSError as the system gives it; a file
    that is longer than bytes_max comes cut off, and one byte longer than that.
    """
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    except FileNotFoundError:
        return None
    with os.fdopen(descriptor, "rb") as file:
        if os.fstat(descriptor).st_mode & (stat.S_IWGRP | stat.S_IWOTH):
            raise PermissionError(None, "other users may write it", str(path))
        return file.read(bytes_max + 1)


def replace_private(path: Path, data: bytes) -> None:
    """Write beside, sync, rename over path, sync the folder: old or new, never half.

    Raises OSError. Of what was at path, its mode or its owner, nothing is kept.
    """
    beside = path.with_name(f".{path.name}.new")
    beside.unlink(missing_ok=True)  # of a start that was cut off
    descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, MODE)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            sync_descriptor(descriptor)
        beside.replace(path)
    except BaseException:
        with suppress(OSError):
            beside.unlink()
        raise
    _sync_folder(path.parent)


def keep_aside(path: Path, ending: str) -> Path:
    """Rename path to a name with ending that nobody has yet; durable on return."""
    number, aside = 1, path.with_name(f"{path.name}.{ending}")
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}.{ending}-{number}")
    path.rename(aside)
    _sync_folder(path.parent)
    return aside


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        sync_descriptor(descriptor)
    finally:
        os.close(descriptor)
