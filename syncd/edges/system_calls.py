"""Calls of the system that Python does not have: rename without replacing, sync of a file system.

Owns: the ctypes declarations, and what is done where a call does not exist.
Must not: decide where a path leads; it takes open descriptors and single names.
"""

import ctypes
import errno
import os
import sys
from collections.abc import Callable
from typing import Any

RENAME_NOREPLACE = 1  # linux/fs.h
_NOT_THERE = frozenset({errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP})
_F_FULLFSYNC = 51  # sys/fcntl.h of macOS
_F_NOCACHE = 48


def _libc_function(name: str, *argument_types: Any) -> Callable[..., int] | None:
    """Return a function of the C library, or None where it has none of that name."""
    try:
        function = getattr(ctypes.CDLL(None, use_errno=True), name)
    except (AttributeError, OSError, TypeError):
        return None
    function.argtypes = argument_types
    function.restype = ctypes.c_int
    return function  # type: ignore[no-any-return]


_renameat2 = _libc_function(
    "renameat2", ctypes.c_int, ctypes.c_char_p, ctypes.c_int, ctypes.c_char_p, ctypes.c_uint
)
_syncfs = _libc_function("syncfs", ctypes.c_int)


def rename_new(source_fd: int, source: str, target_fd: int, target: str) -> None:
    """Rename source in one folder to target in another. Raises FileExistsError, OSError."""
    if _renameat2 is not None:
        old, new = os.fsencode(source), os.fsencode(target)
        if _renameat2(source_fd, old, target_fd, new, RENAME_NOREPLACE) == 0:
            return
        code = ctypes.get_errno()
        if code not in _NOT_THERE:
            raise OSError(code, os.strerror(code), source, None, target)
    _check_then_rename(source_fd, source, target_fd, target)


def _check_then_rename(source_fd: int, source: str, target_fd: int, target: str) -> None:
    """Second best, for file systems without the flag; only we write where this is used."""
    try:
        os.stat(target, dir_fd=target_fd, follow_symlinks=False)
    except FileNotFoundError:
        os.rename(source, target, src_dir_fd=source_fd, dst_dir_fd=target_fd)
        return
    raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), target)


def sync_descriptor(fd: int) -> None:
    """Return when the file or folder is durable; on macOS past the drive's cache, too."""
    if sys.platform == "darwin":
        import fcntl  # noqa: PLC0415

        try:
            fcntl.fcntl(fd, _F_FULLFSYNC)
            return
        except OSError as error:
            if error.errno not in {*_NOT_THERE, errno.ENOTTY, errno.ENOTSUP}:
                raise
    os.fsync(fd)


def sync_file_system(fd: int) -> None:
    """Return when all of fd's file system is durable."""
    if _syncfs is None:
        os.sync()
        sync_descriptor(fd)
        return
    if _syncfs(fd) != 0:
        code = ctypes.get_errno()
        raise OSError(code, os.strerror(code))


def stop_caching(fd: int) -> None:
    """Ask that reads of fd bypass the cache (macOS only)."""
    if sys.platform == "darwin":
        import fcntl  # noqa: PLC0415

        fcntl.fcntl(fd, _F_NOCACHE, 1)
