"""A socket that lies in a folder: whoever may not enter the folder, or use the file, never gets in.

Owns: listening and connecting there, paths that are too long for a socket's address, and what a
process left behind that was killed. Must not: know what is said, or who listens.

Not every system, nor every file system, has such sockets: then OSError says so, and the caller has
another way.
"""

import os
import socket
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from syncd.limits import BACKLOG

MODE = 0o600
# sockaddr_un has 108 bytes on Linux (unix(7)), 104 on macOS and BSD; the last one is a zero.
PATH_BYTES_MAX = 103
_OPEN_FOLDERS = Path("/proc/self/fd")  # proc(5): leads to what a descriptor of ours has open


def listen_in(folder: Path, name: str) -> socket.socket:
    """Return a socket that listens at folder/name, for this user alone, and does not block.

    Whatever other socket is there is replaced: only whoever holds the folder's lock may call this.
    Raises OSError.
    """
    remove_in(folder, name)
    listening = socket.socket(_family(), socket.SOCK_STREAM)
    try:
        with _address(folder, name) as address:
            listening.bind(address)
            (folder / name).chmod(MODE)  # until it listens, nobody can connect
        listening.listen(BACKLOG)
        listening.setblocking(False)
    except OSError:
        listening.close()
        raise
    return listening


def connect_in(folder: Path, name: str, timeout_s: float) -> socket.socket:
    """Return a connection to whoever listens at folder/name. Raises OSError."""
    connected = socket.socket(_family(), socket.SOCK_STREAM)
    try:
        connected.settimeout(timeout_s)
        with _address(folder, name) as address:
            connected.connect(address)
    except OSError:
        connected.close()
        raise
    return connected


def remove_in(folder: Path, name: str) -> None:
    """Remove the socket at folder/name, if one is there; anything else stays. Raises OSError."""
    with suppress(FileNotFoundError):
        if stat.S_ISSOCK((folder / name).lstat().st_mode):
            (folder / name).unlink()


def is_of_folder(connected: socket.socket) -> bool:
    """Tell whether a connection came through a socket in a folder."""
    return connected.family == getattr(socket, "AF_UNIX", None)


def _family() -> socket.AddressFamily:
    try:
        return socket.AF_UNIX
    except AttributeError as error:
        raise OSError("this system has no sockets in folders") from error


@contextmanager
def _address(folder: Path, name: str) -> Iterator[str]:
    """Give the path, or a shorter one to the same place while the context lasts."""
    path = str(folder / name)
    if len(os.fsencode(path)) <= PATH_BYTES_MAX or not _OPEN_FOLDERS.is_dir():
        yield path  # too long where there is no other: the system says so
        return
    opened = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield f"{_OPEN_FOLDERS}/{opened}/{name}"
    finally:
        os.close(opened)
