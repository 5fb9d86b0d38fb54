"""What an error of SQLite means: whose fault it is, and what a person can do.

Owns: the sorting of SQLite's codes, and the words. Must not: open, move or repair anything.
"""

import sqlite3

from syncd.errors import STATE_DISK_REMEDY, ConfigError, StateDiskError, SyncdError

_DISK_ERRORS = frozenset(
    {
        sqlite3.SQLITE_FULL,
        sqlite3.SQLITE_IOERR,
        sqlite3.SQLITE_READONLY,
        sqlite3.SQLITE_CANTOPEN,
        sqlite3.SQLITE_BUSY,
    }
)
# The bytes were read, or could not be, and are no journal.
_BROKEN = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
_UNREADABLE = frozenset(
    {
        sqlite3.SQLITE_IOERR_READ,
        sqlite3.SQLITE_IOERR_SHORT_READ,
        sqlite3.SQLITE_IOERR_CORRUPTFS,
        sqlite3.SQLITE_IOERR_DATA,
    }
)
# Of a file that may only be read, too.
_LOCKING = frozenset(
    {
        *(sqlite3.SQLITE_IOERR_LOCK, sqlite3.SQLITE_IOERR_RDLOCK, sqlite3.SQLITE_IOERR_UNLOCK),
        sqlite3.SQLITE_IOERR_CHECKRESERVEDLOCK,
    }
)
# Others, or the system, keep us from it: that says nothing about what is in it.
_KEPT_OUT = frozenset(
    {
        *(sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH),
        *(sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_FULL),
        *(sqlite3.SQLITE_IOERR, sqlite3.SQLITE_NOMEM, sqlite3.SQLITE_PROTOCOL),
    }
)


class JournalError(SyncdError):
    """The journal cannot be used now: nothing of the transaction was kept."""

    http_status = 507


class JournalBrokenError(JournalError):
    """What is in the journal's file is no longer a journal; only a new start can mend that."""


def code_of(error: BaseException) -> int:
    """Return SQLite's extended code, 0 if there is none."""
    return int(getattr(error, "sqlite_errorcode", 0) or 0)


def is_disks_fault(error: BaseException) -> bool:
    """Tell a full or failing disk from a mistake of ours; extended codes keep the low byte."""
    if code_of(error) == sqlite3.SQLITE_IOERR_NOMEM:
        return False
    return isinstance(error, sqlite3.DatabaseError) and code_of(error) & 0xFF in _DISK_ERRORS


def is_full(error: BaseException) -> bool:
    """Tell whether there was only no room: what is open stays good."""
    return code_of(error) & 0xFF == sqlite3.SQLITE_FULL


def is_broken(error: BaseException) -> bool:
    """Tell whether SQLite met bytes that are no journal."""
    return isinstance(error, sqlite3.DatabaseError) and code_of(error) & 0xFF in _BROKEN


def is_kept_out(error: BaseException) -> bool:
    """Tell whether the file could not be looked at, so that nothing is known of it."""
    code = code_of(error)
    return code not in _UNREADABLE and code & 0xFF in _KEPT_OUT


def _is_full_or_failing(error: BaseException) -> bool:
    """Tell a disk that is full or fails from a file that a person has to see to."""
    code = code_of(error)
    is_disk = code & 0xFF in (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR)
    return is_disk and is_kept_out(error) and code not in _LOCKING


_WORDS = {
    sqlite3.SQLITE_FULL: "its disk is full",
    sqlite3.SQLITE_IOERR: "its disk fails to read or write",
    sqlite3.SQLITE_READONLY: "it may only be read",
    sqlite3.SQLITE_PERM: "the system does not let syncd use it",
    sqlite3.SQLITE_AUTH: "the system does not let syncd use it",
    sqlite3.SQLITE_CANTOPEN: "it, or a file beside it, cannot be opened",
    sqlite3.SQLITE_BUSY: "another process uses it",
    sqlite3.SQLITE_LOCKED: "another process uses it",
    sqlite3.SQLITE_NOMEM: "this box has no memory left",
    sqlite3.SQLITE_CORRUPT: "its contents are not as they were written",
    sqlite3.SQLITE_NOTADB: "its contents are no journal",
}


def said(error: object) -> str:
    """Say in our words what SQLite means, with its name for it, which can be looked up."""
    code = code_of(error) if isinstance(error, BaseException) else 0
    words = _WORDS.get(code & 0xFF)
    name = getattr(error, "sqlite_errorname", "")
    return f"{words} ({name})" if words and name else str(error)


def cannot_write(shown: str, error: BaseException) -> JournalError:
    """Say that a transaction was not kept."""
    return JournalError(
        f"The journal {shown} cannot be written: {said(error)}.",
        remedy="Free space on its disk and see that the disk is well; nothing that was confirmed "
        "is lost, and work goes on by itself.",
    )


def broken(shown: str, found: object) -> JournalBrokenError:
    """Say that an open journal turned out to be damaged."""
    return JournalBrokenError(
        f"The journal {shown} is damaged: {said(found)}.",
        remedy="Look at its disk. syncd starts anew by itself: it keeps the damaged file and "
        "rebuilds from the storage and the landing.",
    )


def not_in_place(shown: str, what: str) -> JournalError:
    """Say that another file, or none, is where the journal was."""
    return JournalError(
        f"The journal {shown} {what}.",
        remedy="Put it back where it was, or let the folder be written; until then no work is "
        "taken on.",
    )


def cannot_open(shown: str, error: sqlite3.DatabaseError) -> ConfigError:
    """Say why a journal cannot be opened; nothing was moved or changed.

    Raises MemoryError if it is only that there is no memory left.
    """
    if code_of(error) == sqlite3.SQLITE_IOERR_NOMEM:
        raise MemoryError(str(error)) from error
    if "locked" in str(error):
        return ConfigError(
            f"The journal {shown} is in use by another process.",
            remedy="Stop the other syncd, or give this one another node.state.",
        )
    if _is_full_or_failing(error):
        what = f"The journal {shown} cannot be opened or made: {said(error)}."
        return StateDiskError(what, remedy=STATE_DISK_REMEDY)
    if is_kept_out(error):
        return ConfigError(
            f"The journal {shown} cannot be opened or made: {said(error)}.",
            remedy="See that the folder named as node.state exists, has room, and belongs with "
            "all in it to syncd's user. Nothing was moved or changed.",
        )
    return damaged(shown, error)


def damaged(shown: str, found: object) -> ConfigError:
    """Say that a file is no journal, to a caller that does not rebuild."""
    return ConfigError(
        f"The journal {shown} is damaged: {said(found)}.",
        remedy="Put back a copy of it, or move it aside together with its -wal file "
        "and start again: rolls on the storage and on the landing stay as they are.",
    )


def too_new(shown: str, version: int, known: int) -> ConfigError:
    """Say that a newer program wrote it."""
    return ConfigError(
        f"The journal {shown} was written by a newer syncd (version {version}; this one knows "
        f"{known}). It was left as it is.",
        remedy="Install that syncd again, or name another folder as node.state.",
    )
