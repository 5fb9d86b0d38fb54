"""One daemon per state folder: a lock held for life, with the owner's pid for the message."""

import fcntl
import os
from pathlib import Path
from typing import Self

from syncd.errors import ConfigError, raise_if_disk_trouble

NAME = "lock"


class StateLock:
    """Holds <state>/lock between __enter__ and __exit__; the system lets go of it at any death.

    Raises ConfigError if another process holds it, StateDiskError if its disk is full or fails.
    """

    def __init__(self, state: Path) -> None:
        self._path = state / NAME
        self._fd = -1

    def __enter__(self) -> Self:
        try:
            self._path.parent.mkdir(0o700, parents=True, exist_ok=True)
            self._fd = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        except OSError as error:
            raise_if_disk_trouble(self._path.parent, error)
            raise ConfigError(
                f"The state folder {self._path.parent} cannot be used: {error.strerror}.",
                remedy="Make it and give it to the user that runs syncd, or change node.state.",
            ) from error
        try:
            fcntl.flock(self._fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            owner = _owner(self._fd)
            os.close(self._fd)
            raise ConfigError(
                f"Another syncd (process {owner}) uses the state folder {self._path.parent}.",
                remedy="Stop it, or give this node a node.state of its own.",
            ) from error
        try:
            os.ftruncate(self._fd, 0)
            os.pwrite(self._fd, f"{os.getpid()}\n".encode(), 0)
        except OSError as error:
            os.close(self._fd)
            raise_if_disk_trouble(self._path.parent, error)
            raise
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._fd)


def holder_of(state: Path) -> str | None:
    """Return the id of the process that holds the state folder, None if none is known to."""
    try:
        descriptor = os.open(state / NAME, os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return _owner(descriptor)
    finally:
        os.close(descriptor)
    return None


def _owner(descriptor: int) -> str:
    return os.pread(descriptor, 20, 0).decode("ascii", "replace").strip() or "unknown"
