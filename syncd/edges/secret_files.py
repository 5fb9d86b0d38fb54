"""Small files that only the user who runs syncd may read: a token, a hash, a key.

Owns: that they are not read when others could have read them, too; private_file.py writes them.
Must not: know what is in them.
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
