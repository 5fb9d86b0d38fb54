"""Manifests and lists of a published roll, and whether they are as they were published.

Owns: that a history may have gained generations since, whoever added them. Then its chain is
another file, and as good, if it names every manifest that was there, each as it is, in front of
those that came later.
Must not: read media, or change anything.
"""

import errno
from collections.abc import Iterable, Sequence
from dataclasses import replace

from syncd.counted import named
from syncd.errors import HeldError
from syncd.evidence.ascmhl_history import is_history_file
from syncd.evidence.ascmhl_model import CHAIN_NAME
from syncd.evidence.ascmhl_read import read_chain
from syncd.evidence.errors import EvidenceError
from syncd.evidence.paths import name_of, parent_of, under
from syncd.limits import MANIFEST_BYTES_MAX
from syncd.ports import Disk, Folder
from syncd.roll.digests import Algorithm
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.stages import HeldCode
from syncd.storage.layout import file_at, target_of
from syncd.storage.reading import hash_stored
from syncd.storage.rereading import Proved, hand_over_anew, why_wrong

NAMED_MAX = 5
# Not there, no file, or no chain by its size alone.
_NO_CHAIN = frozenset({errno.ENOENT, errno.ENOTDIR, errno.ELOOP, errno.EISDIR, errno.EFBIG})


def why_evidence_wrong(
    disk: Disk, folder: Folder, target: str, entry: FileEntry, evidence: Sequence[FileEntry]
) -> str:
    """Read a manifest, chain or list; return what is wrong with it, "" if nothing is.

    target: the roll's folder. evidence: all that was published with it. Raises OSError.
    """
    reason = why_wrong(disk, folder, f"{target}/{entry.path}", Proved(entry, (), ()))
    if reason and _is_chain(entry.path) and _has_grown(disk, folder, target, entry.path, evidence):
        return ""
    return reason


def find_wrong_evidence(
    disk: Disk, folder: Folder, inventory: Inventory, evidence: Sequence[FileEntry], box: str
) -> HeldError | None:
    """Read all that was published with media that are as they were; say all that is wrong.

    box: whose storage it is. Raises OSError.
    """
    target = target_of(inventory)
    looked_at = (
        (entry.path, why_evidence_wrong(disk, folder, target, entry, evidence))
        for entry in evidence
    )
    wrong = [(path, reason) for path, reason in looked_at if reason]
    return evidence_wrong(inventory, wrong, box) if wrong else None


def evidence_now(
    folder: Folder, target: str, evidence: Iterable[FileEntry]
) -> tuple[FileEntry, ...]:
    """Return evidence that is as it was with the times that its files have now. Raises OSError."""
    found = []
    for entry in evidence:
        there = file_at(folder, f"{target}/{entry.path}")
        is_same = there is not None and there.size_bytes == entry.size_bytes
        found.append(replace(entry, mtime_ns=there.mtime_ns) if there and is_same else entry)
    return tuple(found)


def evidence_wrong(inventory: Inventory, wrong: Sequence[tuple[str, str]], box: str) -> HeldError:
    """Say that manifests or lists are not what was published, though all media are.

    wrong: the path of each, and why; held is the roll for the first one.
    """
    target, path = target_of(inventory), wrong[0][0]
    if len(wrong) == 1:
        what, them = f"their {_kind(path)} {path} is not: {wrong[0][1]}", "it"
    else:
        each = [f"{_kind(other)} {other} ({reason})" for other, reason in wrong]
        what, them = f"of what goes with them this is not: {named(each, NAMED_MAX)}", "them"
    return HeldError(
        HeldCode.READ_BACK_MISMATCH,
        f"{target}: all media on the storage of {box} are as they were published; {what}. "
        f"Nothing is written over {them}.",
        remedy=f"Bring {them} back from another copy, then `syncd go {target}` on {box}. "
        f"{hand_over_anew(target)} Do not clear the card.",
        path=path,
    )


def _kind(path: str) -> str:
    if _is_chain(path):
        return "chain of manifests"
    return "manifest" if is_history_file(path) else "list"


def _is_chain(path: str) -> bool:
    return is_history_file(path) and name_of(path) == CHAIN_NAME


def _has_grown(
    disk: Disk, folder: Folder, target: str, path: str, evidence: Iterable[FileEntry]
) -> bool:
    """Tell whether a chain still begins with the manifests that were published beside it.

    All of them, and each by the C4 that it has now: whether it is as it was is looked at apart.
    Raises OSError.
    """
    history = parent_of(path)
    beside = [name_of(entry.path) for entry in evidence if parent_of(entry.path) == history]
    names = {name for name in beside if name.lower().endswith(".mhl")}
    try:
        chain = read_chain(folder.read_file(f"{target}/{path}", bytes_max=MANIFEST_BYTES_MAX), path)
        first = chain[: len(names)]
        return {entry.name for entry in first} == names and all(
            hash_stored(disk, folder, f"{target}/{under(history, entry.name)}", (Algorithm.C4,))
            == (entry.c4,)
            for entry in first
        )
    except EvidenceError:
        return False
    except OSError as error:
        if error.errno in _NO_CHAIN:
            return False
        raise
