"""A small file in the state folder that nobody but syncd's user may read or write.

Owns: reading it within a bound, writing a new one, replacing it whole and durably, keeping a
broken one aside. Must not: know what is in it.
"""

import errno
import os
import stat
from contextlib import suppress
from pathlib import Path

from syncd.edges.system_calls import sync_descriptor

MODE = 0o600


class NoFileError(OSError):
    """A link, a folder or something else lies where the file belongs; strerror says what."""


def read_private(path: Path, *, bytes_max: int) -> bytes | None:
    """Return the content, None if there is no such file.

    Raises NoFileError, PermissionError if another user may write it, OSError as the system gives
    it; a file that is longer than bytes_max comes cut off, and one byte longer than that.
    """
    try:
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK)
    except FileNotFoundError:
        return None
    except OSError as error:
        if error.errno == errno.ELOOP:  # POSIX.1-2017, open(): O_NOFOLLOW and a link
            raise NoFileError(error.errno, "a link", str(path)) from error
        raise
    try:
        _check_mode(path, os.fstat(descriptor).st_mode)
    except OSError:
        os.close(descriptor)
        raise
    with os.fdopen(descriptor, "rb") as file:
        return file.read(bytes_max + 1)


def _check_mode(path: Path, mode: int) -> None:
    if not stat.S_ISREG(mode):
        what = "a folder" if stat.S_ISDIR(mode) else "a device, pipe or socket"
        raise NoFileError(errno.EINVAL, what, str(path))
    if mode & (stat.S_IWGRP | stat.S_IWOTH):
        raise PermissionError(None, "other users may write it", str(path))


def replace_private(path: Path, data: bytes) -> None:
    """Write beside, sync, rename over path, sync the folder: old or new, never half.

    Raises OSError. Of what was at path, its mode or its owner, nothing is kept.
    """
    beside = path.with_name(f".{path.name}.new")
    beside.unlink(missing_ok=True)  # of a start that was cut off
    try:
        write_private(beside, data)
        beside.replace(path)
    except BaseException:
        with suppress(OSError):
            beside.unlink()
        raise
    sync_folder(path.parent)


def prepare_private(path: Path, data: bytes) -> None:
    """Write beside path what put_prepared() may put there, durably: it then needs no more room.

    Raises OSError.
    """
    drop_prepared(path)
    try:
        write_private(_prepared(path), data)
    except BaseException:
        with suppress(OSError):
            drop_prepared(path)
        raise


def put_prepared(path: Path, data: bytes) -> bool:
    """Put what was prepared in the place of path, if it is data; durable on return.

    False if it is not, and then nothing is changed. Raises OSError.
    """
    if read_private(_prepared(path), bytes_max=len(data)) != data:
        return False
    _prepared(path).replace(path)
    sync_folder(path.parent)
    return True


def drop_prepared(path: Path) -> None:
    """Remove what was prepared for path, if anything was. Raises OSError."""
    _prepared(path).unlink(missing_ok=True)


def _prepared(path: Path) -> Path:
    return path.with_name(f".{path.name}.next")


def write_private(path: Path, data: bytes) -> None:
    """Write a file that is not there yet, and sync it. Raises OSError."""
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, MODE)
    with os.fdopen(descriptor, "wb") as file:
        file.write(data)
        file.flush()
        sync_descriptor(descriptor)


def sync_folder(folder: Path) -> None:
    """Make durable which names are in the folder. Raises OSError."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        sync_descriptor(descriptor)
    finally:
        os.close(descriptor)


def keep_aside(path: Path, ending: str) -> Path:
    """Rename path to a name with ending that nobody has yet; durable on return."""
    number, aside = 1, path.with_name(f"{path.name}.{ending}")
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}.{ending}-{number}")
    path.rename(aside)
    sync_folder(path.parent)
    return aside
