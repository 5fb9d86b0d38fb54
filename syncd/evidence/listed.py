"""What any list says of one file, in one shape, whatever the list was written in."""

from collections.abc import Iterable
from dataclasses import dataclass, replace

from syncd.evidence.errors import EvidenceError
from syncd.roll.digests import Digest
from syncd.roll.names import shown


@dataclass(frozen=True, slots=True)
class ListedFile:
    """One file as a list names it.

    path: relative to what the list covers.
    digests: those that prove; none if the list has only ambiguous, weak or null ones.
    size_bytes: None if the list does not say.
    line: where in the list, counted from 1.
    """

    path: str
    digests: tuple[Digest, ...]
    size_bytes: int | None = None
    line: int = 0


def merged(list_path: str, entries: Iterable[ListedFile]) -> tuple[ListedFile, ...]:
    """Put the entries of one path together; a list may name a file twice if it says the same.

    Raises EvidenceError if two digests of one algorithm, or two sizes, differ.
    """
    by_path: dict[str, ListedFile] = {}
    for entry in entries:
        before = by_path.setdefault(entry.path, entry)
        if before is not entry:
            by_path[entry.path] = _both(list_path, before, entry)
    return tuple(by_path.values())


def _both(list_path: str, before: ListedFile, entry: ListedFile) -> ListedFile:
    known = {digest.algorithm: digest for digest in before.digests}
    for digest in entry.digests:
        if known.setdefault(digest.algorithm, digest) != digest:
            _differ(list_path, before, entry, str(digest.algorithm))
    sizes = {entry.size_bytes, before.size_bytes} - {None}
    if len(sizes) > 1:
        _differ(list_path, before, entry, "size")
    size = before.size_bytes if entry.size_bytes is None else entry.size_bytes
    return replace(before, digests=tuple(known.values()), size_bytes=size)


def _differ(list_path: str, before: ListedFile, entry: ListedFile, what: str) -> None:
    wrong = f"{shown(entry.path)} has another {what} on line {before.line}"
    raise EvidenceError(list_path, wrong, line=entry.line, path=entry.path)
