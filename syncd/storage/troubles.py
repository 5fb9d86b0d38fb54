"""What an error of the system means for a roll: which reason it is held for, and what to do.

Owns: the sorting of errno into held codes, once for the storage and once for a source.
Must not: touch a disk; whoever met the error says what else is known.
All raise MemoryError where that is what it was.
"""

import errno

from syncd.errors import HeldError, LinkLostError
from syncd.rights import NOT_ALLOWED, let_read
from syncd.roll.stages import HeldCode

_FULL = frozenset({errno.ENOSPC, errno.EDQUOT, errno.EFBIG})
PASSING = frozenset(  # the storage is not there, or was not for a moment
    {
        *(errno.ENOENT, errno.ESTALE, errno.ENODEV, errno.ENXIO),
        # Of storage behind a network, or a program: what was under way, and what comes after.
        *(errno.ENOTCONN, errno.ECONNABORTED, errno.ECONNRESET, errno.ETIMEDOUT),
        *(errno.EHOSTDOWN, errno.EHOSTUNREACH, errno.ENETDOWN, errno.ENETUNREACH),
    }
)
_REPLACED = frozenset({errno.ELOOP, errno.ENOTDIR, errno.EISDIR, errno.EINVAL})


class ParcelDamagedError(LinkLostError):
    """A parcel did not arrive as it was read; it travels again."""


class NoSuchParcelError(ParcelDamagedError):
    """A parcel came that its roll has not, under the evidence that it says."""


def why(error: OSError) -> str:
    """Say what the system said."""
    return error.strerror or type(error).__name__


def _pass_on_if_no_memory(error: OSError) -> None:
    """Raise MemoryError if it is this box that has none left: no roll is to be held for it."""
    if error.errno == errno.ENOMEM:
        raise MemoryError(why(error)) from error


def storage_absent(path: str, reason: str) -> HeldError:
    """Say that the storage is not there."""
    return HeldError(
        HeldCode.STORAGE_ABSENT,
        f"The storage {path} is not there: {reason}.",
        remedy="Mount it; rolls go on by themselves. If it is new, say so once with "
        "`syncd check --mark`.",
    )


def folder_absent(path: str, reason: str) -> HeldError:
    """Say that a folder that a person named to fetch into is not there."""
    return HeldError(
        HeldCode.STORAGE_ABSENT,
        f"The folder {path} is not there: {reason}.",
        remedy="Mount what it lies on, or make it again; the roll goes on by itself.",
    )


def storage_exchanged(path: str, found_id: str, known_id: str) -> HeldError:
    """Say that another storage is in the place of the one that was there since the start."""
    return HeldError(
        HeldCode.STORAGE_ABSENT,
        f"The storage {path} is not there: another storage ({found_id}, not {known_id}) is "
        "mounted.",
        remedy="Mount the one that was there; rolls go on by themselves. If this one is to take "
        "its place, restart syncd on this box once you are sure.",
    )


def storage_trouble(storage: str, error: OSError, path: str | None = None) -> HeldError:
    """Say what a failed operation on the storage means.

    path: the file it happened to, relative to the roll.
    """
    _pass_on_if_no_memory(error)
    where = f" at {path}" if path else ""
    if error.errno in PASSING:
        return HeldError(
            HeldCode.STORAGE_ABSENT,
            f"The storage {storage} is not there: {why(error)}{where}.",
            remedy="Mount it again; rolls go on by themselves.",
        )
    if error.errno in _FULL:
        return HeldError(
            HeldCode.STORAGE_FULL,
            f"The storage {storage} has no room left{where}: {why(error)}.",
            remedy="Free space or raise the quota; rolls go on by themselves, what was confirmed "
            "stays.",
            path=path,
        )
    if error.errno in {errno.EMFILE, errno.ENFILE}:
        return HeldError(
            HeldCode.STORAGE_ERROR,
            f"This box has too many files open to use the storage {storage}{where}.",
            remedy="See which program has them open, raise the limit (LimitNOFILE in the unit), "
            "then `syncd go` the roll.",
            path=path,
        )
    if error.errno == errno.EROFS:
        unwritten = f"; {path} was not written" if path else ""
        return HeldError(
            HeldCode.STORAGE_ERROR,
            f"The storage {storage} is mounted read-only{unwritten}.",
            remedy="Mount it for writing, then `syncd go` the roll; what was confirmed stays. The "
            "system does this by itself after an error: see its log about this disk first.",
            path=path,
        )
    return HeldError(
        HeldCode.STORAGE_ERROR,
        f"The storage {storage} failed{where}: {why(error)}.",
        remedy="See the system's log about this disk, repair it, then `syncd go` the roll; what "
        "was confirmed stays.",
        path=path,
    )


def stored_unreadable(target: str, path: str, error: OSError) -> HeldError:
    """Say that a file of a published roll cannot be read. target: DAY/ROLL."""
    _pass_on_if_no_memory(error)
    remedy = "See the system's log about this disk, repair it or bring the file back from a copy"
    if error.errno in NOT_ALLOWED:
        remedy = "Let the user that syncd runs as read it (owner, permissions)"
    return HeldError(
        HeldCode.STORAGE_ERROR,
        f"{target}: {path} cannot be read from the storage: {why(error)}.",
        remedy=f"{remedy}, then `syncd go` the roll; do not clear the card.",
        path=path,
    )


def source_trouble(
    roll: str, path: str, error: OSError, *, is_root_there: bool, user: str
) -> HeldError:
    """Say what a failed read of a source file means.

    roll: DAY/ROLL; is_root_there: whether the roll's own folder can still be reached.
    user: whose rights count, as Disk.user() says.
    """
    _pass_on_if_no_memory(error)
    if error.errno == errno.ENOENT and is_root_there:
        return HeldError(
            HeldCode.FILE_MISSING,
            f"{roll}: {path} is gone from the source.",
            remedy="Put it back as it was, or offload it again; do not clear the card.",
            path=path,
        )
    if error.errno in _REPLACED and is_root_there:
        return source_changed(roll, path, f"it is no regular file any more ({why(error)})")
    if error.errno in NOT_ALLOWED:
        return HeldError(
            HeldCode.SOURCE_UNREADABLE,
            f"{roll}: {path} may not be read by {user}, as which syncd runs: {why(error)}.",
            remedy=let_read(user),
            path=path,
        )
    return HeldError(
        HeldCode.SOURCE_UNREADABLE,
        f"{roll}: {path} cannot be read from the source: {why(error)}.",
        remedy="Connect or mount the source again, and check its disk; the roll goes on by itself.",
        path=path,
    )


def source_changed(roll: str, path: str, reason: str) -> HeldError:
    """Say that a source file is not what it was when the roll was found verified."""
    return HeldError(
        HeldCode.SOURCE_CHANGED,
        f"{roll}: {path} changed on the source after it was verified: {reason}.",
        remedy="Find out who writes to the landing; offload this file again from the card and "
        "make its evidence anew. Do not clear the card.",
        path=path,
    )
