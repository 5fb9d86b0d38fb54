"""Rights that lack on files: which errors say so, and what a person can do about it.

Owns: the words. Must not: ask whose rights count; Disk.user() says.
"""

import errno

NOT_ALLOWED = frozenset({errno.EACCES, errno.EPERM})  # EPERM: immutable, or a rule of its system


def let_read(user: str) -> str:
    """Say what to do about rights that lack on a source."""
    return (
        f"Let {user} read it: read permission on files, read and execute on folders, on those "
        "above it, too; the roll goes on by itself."
    )
