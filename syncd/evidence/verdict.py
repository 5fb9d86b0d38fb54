"""The answer to the question whether a roll is verified: is there evidence, and is it complete.

Owns: the comparison of what is there with what all evidence together says.
Must not: wait for anything, or hash media; that a digest is right is proved by the read-back.

    ignored by a history's patterns, and in no list ... left out, not missed
    listed only with a digest that proves nothing ..... as good as unlisted
    in a folder named ascmhl .......................... evidence, whoever lists it
"""

from collections.abc import Callable
from dataclasses import dataclass, field

from syncd.counted import counted
from syncd.evidence.ascmhl_history import is_history_file
from syncd.evidence.claims import Claim
from syncd.evidence.errors import EvidenceError
from syncd.evidence.gathering import Gathered, SeenFile, gather, gather_beside
from syncd.evidence.paths import parent_of
from syncd.limits import LIST_QUIET_S, QUIET_S
from syncd.roll.inventory import FileEntry, FileKind, Inventory, ordered
from syncd.roll.names import shown
from syncd.roll.stages import HeldCode

__all__ = [
    "Broken",
    "Complete",
    "Incomplete",
    "NoEvidence",
    "RollView",
    "SeenFile",
    "Verdict",
    "judge",
]

OFFLOAD_AGAIN = "Offload the roll again from the card; it goes on by itself when all is there."
LIST_IT = "Add it to the evidence or move it out of the roll; then the roll goes on by itself."
TAKE_IT_OFF = "Give it another name in both, or take it off the list; it goes on by itself."
FILL_IT = "If nobody writes it any more, make it anew or delete it; the roll goes on by itself."
END_IT = "If nobody writes it any more, end its last line; the roll goes on by itself."


@dataclass(frozen=True)
class RollView:
    """One roll as a scan saw it.

    files: all regular files but droppings. folders: all of them.
    beside: files in the folder above, by name.
    read, read_beside: give one file's bytes; their OSError passes through judge().
    dropped: droppings left out of files; a folder stands for what is below it.
    dropped_files: those of them that are files: sent if the evidence names them.
    """

    day: str
    name: str
    files: tuple[SeenFile, ...]
    folders: tuple[str, ...]
    beside: tuple[SeenFile, ...]
    read: Callable[[str], bytes]
    read_beside: Callable[[str], bytes]
    dropped: tuple[str, ...] = ()
    dropped_files: tuple[SeenFile, ...] = ()


@dataclass(frozen=True, slots=True)
class Complete:
    """All there and all covered.

    kinds: which evidence it was, in words. quiet_needed_s: be still so long before it counts.
    left_out: files that are there, and that a history says to ignore.
    """

    inventory: Inventory
    kinds: tuple[str, ...]
    quiet_needed_s: float
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Incomplete:
    """Not yet, or never, all there: what to hold the roll for if it stays so.

    code, reason, remedy, path: about the first thing that is wrong.
    growing: a list is not finished.
    """

    code: HeldCode
    reason: str
    remedy: str
    path: str | None = None
    missing: tuple[str, ...] = ()
    unlisted: tuple[str, ...] = ()
    wrong_size: tuple[str, ...] = ()
    growing: bool = False


@dataclass(frozen=True, slots=True)
class Broken:
    """The evidence cannot be believed."""

    code: HeldCode
    message: str
    remedy: str
    path: str | None


@dataclass(frozen=True, slots=True)
class NoEvidence:
    """No list and no history says anything of this roll."""


Verdict = Complete | Incomplete | Broken | NoEvidence


def judge(view: RollView) -> Verdict:
    """Compare a roll with all evidence in it and beside it."""
    try:
        return _judge(view)
    except EvidenceError as error:
        return Broken(error.code, error.problem, error.remedy, error.path)


def _judge(view: RollView) -> Verdict:
    files = {file.path: file for file in view.files}
    found = gather(view.name, files, view.read)
    gather_beside(found, view.name, view.beside, view.read_beside)
    if found.growing:
        return _growing(view, found.growing[0])
    claims = found.claims.by_path
    for path, error in found.unread.items():
        if path not in claims:
            raise error
    if not found.kinds:
        return NoEvidence()
    for file in view.dropped_files:
        if file.path in claims:
            files[file.path] = file
    return _compare(view, files, found)


@dataclass(slots=True)
class _Findings:
    """What comparing a roll with its evidence gave."""

    entries: list[FileEntry] = field(default_factory=list)
    missing: list[str] = field(default_factory=list)
    unlisted: list[str] = field(default_factory=list)
    wrong_size: list[str] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)


def _compare(view: RollView, files: dict[str, SeenFile], found: Gathered) -> Verdict:
    claims = found.claims.by_path
    findings = _Findings()
    for path, file in files.items():
        _sort(findings, file, claims.get(path), found)
    findings.missing = sorted(
        path for path in claims if path not in files and not _is_ignored(found, path)
    )
    if findings.missing or findings.unlisted or findings.wrong_size:
        return _incomplete(view, found, files, findings)
    if not any(entry.kind is FileKind.MEDIA for entry in findings.entries):
        wrong = "The evidence of the roll lists no file, and there is none."
        return Incomplete(HeldCode.FILE_MISSING, wrong, OFFLOAD_AGAIN)
    frozen = ordered(findings.entries)
    inventory = Inventory(view.day, view.name, frozen, _empty_folders(view, frozen, found))
    quiet_s = LIST_QUIET_S if found.is_plain else QUIET_S
    return Complete(inventory, tuple(found.kinds), quiet_s, tuple(findings.left_out))


def _sort(findings: _Findings, file: SeenFile, claim: Claim | None, found: Gathered) -> None:
    entry = _entry(file, claim, found)
    if entry is not None:
        findings.entries.append(entry)
        is_media = entry.kind is FileKind.MEDIA
        if is_media and claim and claim.size_bytes not in (None, file.size_bytes):
            findings.wrong_size.append(file.path)
    elif claim is None and _is_ignored(found, file.path):
        findings.left_out.append(file.path)
    else:
        findings.unlisted.append(file.path)


def _entry(file: SeenFile, claim: Claim | None, found: Gathered) -> FileEntry | None:
    """Return what the inventory will say of a file; None if nothing proves it."""
    own = found.own_digests.get(file.path)
    if claim is not None and claim.digests and not is_history_file(file.path):
        digests = claim.sorted_digests()
        return FileEntry(file.path, file.size_bytes, file.mtime_ns, digests)
    if own is not None:
        kind = FileKind.EVIDENCE
        return FileEntry(file.path, file.size_bytes, file.mtime_ns, (own,), kind)
    return None


def _is_ignored(found: Gathered, path: str) -> bool:
    """Tell whether a history around path ignores it."""
    for history in found.histories:
        prefix = f"{history.scope}/" if history.scope else ""
        if path.startswith(prefix) and history.ignoring.is_ignored(path[len(prefix) :]):
            return True
    return False


def _empty_folders(
    view: RollView, entries: tuple[FileEntry, ...], found: Gathered
) -> tuple[str, ...]:
    filled: set[str] = set()
    for entry in entries:
        parent = parent_of(entry.path)
        while parent and parent not in filled:
            filled.add(parent)
            parent = parent_of(parent)
    empty = (path for path in view.folders if path not in filled)
    kept = (path for path in empty if not _is_ignored(found, f"{path}/"))
    return tuple(sorted(kept, key=str.encode))


def _growing(view: RollView, path: str) -> Incomplete:
    reason, remedy = f"{shown(path)} is not finished: its last line has no end.", END_IT
    lists = (*view.files, *view.beside)
    if any(file.path == path and not file.size_bytes for file in lists):
        reason, remedy = f"{shown(path)} is empty.", FILL_IT
    return Incomplete(HeldCode.EVIDENCE_MISMATCH, reason, remedy, path, growing=True)


def _incomplete(
    view: RollView, found: Gathered, files: dict[str, SeenFile], findings: _Findings
) -> Incomplete:
    missing, unlisted, wrong_size = findings.missing, findings.unlisted, findings.wrong_size
    if missing:
        first, code, remedy = missing[0], HeldCode.FILE_MISSING, OFFLOAD_AGAIN
        wrong = "is in the evidence but not in the roll"
        if _is_dropped(view, first):
            wrong, remedy = "is in the evidence but is taken for no media", TAKE_IT_OFF
    elif wrong_size:
        first, code, remedy = wrong_size[0], HeldCode.EVIDENCE_MISMATCH, OFFLOAD_AGAIN
        claim = found.claims.by_path[first]
        says = f"the {claim.size_bytes:,} that {shown(claim.size_said_in)} says"
        wrong = f"has {counted(files[first].size_bytes, 'byte')}, not {says}"
    else:
        first, code, remedy = unlisted[0], HeldCode.FILE_UNLISTED, LIST_IT
        wrong = "is in the roll but not in the evidence"
        if first in found.claims.by_path:
            wrong = "is in the evidence, but without a digest that proves it"
    more = len(missing or wrong_size or unlisted) - 1
    reason = f"{shown(first)} {wrong}{f', and {more} more' if more else ''}."
    return Incomplete(
        code, reason, remedy, first, tuple(missing), tuple(unlisted), tuple(wrong_size)
    )


def _is_dropped(view: RollView, path: str) -> bool:
    dropped = set(view.dropped)
    while path and path not in dropped:
        path = parent_of(path)
    return bool(path)
