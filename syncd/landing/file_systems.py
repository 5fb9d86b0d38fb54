"""Which file systems tell of changes, by their type.

Owns: the one list. Must not: ask a disk; the type comes from Folder.file_system().
inotify(7), "Limitations and caveats": only changes made by this host are seen.
"""

WITHOUT_EVENTS = ("nfs", "cifs", "smb", "fuse", "9p", "afs", "ceph", "gfs", "ocfs", "lustre")


def is_silent(file_system: str) -> bool:
    """Tell whether changes have to be looked for, because another host may make them."""
    return file_system.lower().startswith(WITHOUT_EVENTS)
