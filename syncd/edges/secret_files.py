"""Small files that only the user who runs syncd may read: a token, a hash, a key.

Owns: how they are written (mode 0600, whole or not at all, durable) and that they are not read
when others could have read them, too. Must not: know what is in them.
"""

import os
import stat
from pathlib import Path

from syncd.errors import SyncdError

OTHERS = 0o077
BEYOND_GROUP = 0o037  # root may own it, and let syncd's group read it
SECRET_BYTES_MAX = 64 * 1024


class ExposedError(SyncdError):
    """Others may read a file that is meant for one user."""


def replace_secret(path: Path, data: bytes) -> None:
    """Write data beside path, for this user only, sync, rename over path, sync the folder.

    Raises OSError. Of what was at path, its mode or its owner, nothing is kept.
    """
    beside = path.with_name(f".{path.name}.new")
    beside.unlink(missing_ok=True)  # of a start that was cut off
    descriptor = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    try:
        with os.fdopen(descriptor, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        beside.rename(path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def read_secret(path: Path, *, forbidden_mode: int = OTHERS) -> bytes:
    """Return what is in the file. Raises OSError, or ExposedError if its mode is too open."""
    descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    with os.fdopen(descriptor, "rb") as file:
        found = os.fstat(descriptor)
        if not stat.S_ISREG(found.st_mode):
            raise OSError(f"{path} is no file")
        if found.st_mode & forbidden_mode:
            raise ExposedError(
                f"Other users may read {path} (mode {stat.S_IMODE(found.st_mode):04o}).",
                remedy=f"Make another secret, and keep it to one user: chmod 600 {path}",
            )
        return file.read(SECRET_BYTES_MAX)


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
