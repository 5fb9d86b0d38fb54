"""What is no media: names that are never sent, never waited for and never missed.

Owns: the one list, each name with the reason why it may stay behind. The list is common practice;
there is no published source.
Must not: look at a disk.
"""

import re
from dataclasses import dataclass
from fnmatch import fnmatchcase, translate


@dataclass(frozen=True, slots=True)
class Dropping:
    """One kind of name that is no media.

    pattern: matched against one part of a path, without regard to case; as in a shell.
    """

    pattern: str
    reason: str


DROPPINGS: tuple[Dropping, ...] = (
    # macOS leaves these on every volume that it mounts.
    Dropping(".DS_Store", "how a macOS window showed the folder"),
    Dropping("._*", "macOS attributes of another file, on a disk that cannot keep them"),
    Dropping(".Spotlight-V100", "search index of macOS"),
    Dropping(".fseventsd", "change log of macOS"),
    Dropping(".Trashes", "waste bin of macOS"),
    Dropping(".TemporaryItems", "temporary files of macOS"),
    Dropping(".DocumentRevisions-V100", "versions that macOS keeps of documents"),
    Dropping(".VolumeIcon.icns", "icon of a macOS volume"),
    Dropping(".apdisk", "note of a macOS file server"),
    # Windows.
    Dropping("Thumbs.db", "thumbnails of Windows"),
    Dropping("ehthumbs.db", "thumbnails of Windows"),
    Dropping("desktop.ini", "how a Windows window showed the folder"),
    Dropping("System Volume Information", "restore points and index of Windows"),
    Dropping("$RECYCLE.BIN", "waste bin of Windows"),
    Dropping("~$*", "lock of an office program on an open document"),
    # Linux and network file systems.
    Dropping("lost+found", "what a file system check found"),
    Dropping(".Trash-*", "waste bin of a Linux desktop"),
    Dropping(".directory", "how a Linux desktop showed the folder"),
    Dropping(".nfs*", "a deleted file that an NFS client still has open"),
    Dropping(".fuse_hidden*", "a deleted file that a FUSE client still has open"),
    # A copy that has not ended; the finished file has another name.
    Dropping("*.tmp", "temporary file"),
    Dropping("*.temp", "temporary file"),
    Dropping("*.part", "copy or download that has not ended"),
    Dropping("*.partial", "copy or download that has not ended"),
    Dropping("*.swp", "an editor's copy of an open text"),
    # Ours.
    Dropping(".syncd", "our own working area"),
)

_FOLDED = tuple((dropping.pattern.lower(), dropping) for dropping in DROPPINGS)
# All at once: a roll of stills has its hundred thousand names looked at in every scan.
_ANY = re.compile("|".join(translate(pattern) for pattern, _ in _FOLDED))


def find_dropping(path: str) -> Dropping | None:
    """Return the entry of the list that a part of path answers to, or None."""
    for part in path.lower().split("/"):
        if _ANY.match(part) is None:
            continue
        for pattern, dropping in _FOLDED:
            if fnmatchcase(part, pattern):
                return dropping
    return None


def is_dropping(path: str) -> bool:
    """Tell whether path, or a folder it lies in, is no media."""
    return find_dropping(path) is not None
