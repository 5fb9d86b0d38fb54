"""Finding and reading all evidence of one roll: histories and lists in it, and lists beside it.

Owns: what counts as a list, which of its paths are this roll's, and relative to what they are.
Must not: judge completeness (verdict.py), or open files: functions that read are passed in.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol

from syncd.evidence.ascmhl_history import History, is_history_file, read_histories
from syncd.evidence.ascmhl_model import MANIFEST_NAMESPACE, Action
from syncd.evidence.ascmhl_read import read_manifest
from syncd.evidence.checksum_list import is_list_name, parse_checksum_list
from syncd.evidence.claims import Claims
from syncd.evidence.errors import EvidenceError
from syncd.evidence.hashers import digest_of
from syncd.evidence.listed import ListedFile
from syncd.evidence.media_hash_list import parse_media_hash_list
from syncd.evidence.paths import parent_of, under
from syncd.limits import MANIFEST_BYTES_MAX
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.names import shown

Read = Callable[[str], bytes]

FAILED_REMEDY = "Replace it by a good copy from the card and verify it; the roll goes on by itself."
_NAMESPACE_WITHIN_BYTES = 64 * 1024
_DATED = re.compile(r"_\d{4}-\d{2}-\d{2}_\d{6}Z?\.mhl", re.IGNORECASE)


class SeenFile(Protocol):
    """One regular file as a scan saw it."""

    @property
    def path(self) -> str: ...

    @property
    def size_bytes(self) -> int: ...

    @property
    def mtime_ns(self) -> int: ...


@dataclass(frozen=True)
class FoundList:
    """One list or stand-alone manifest, read.

    entries: with paths as the list has them.
    is_plain: it has no end mark, so that only stillness tells that it is whole.
    """

    path: str
    kind: str
    entries: tuple[ListedFile, ...]
    is_plain: bool = False
    is_finished: bool = True


@dataclass
class Gathered:
    """All evidence of one roll.

    claims: what it says. histories: those in the roll.
    own_digests: XXH128 of every evidence file in the roll, by path.
    unread: lists that could not be read as lists, with the reason.
    growing: lists that are not finished. kinds: in words, for people.
    is_plain: a plain list counts.
    """

    claims: Claims
    histories: tuple[History, ...] = ()
    own_digests: dict[str, Digest] = field(default_factory=dict)
    unread: dict[str, EvidenceError] = field(default_factory=dict)
    growing: list[str] = field(default_factory=list)
    kinds: list[str] = field(default_factory=list)
    is_plain: bool = False

    def take(self, found: FoundList, entries: Iterable[ListedFile]) -> None:
        """Count a list with those of its entries that are this roll's."""
        self.claims.add(found.path, entries)
        self.kinds.append(found.kind)
        self.is_plain = self.is_plain or found.is_plain


def gather(name: str, files: Mapping[str, SeenFile], read: Read) -> Gathered:
    """Read all evidence in a roll. Raises EvidenceError for what cannot be believed.

    name: the roll's. files: all of it, by path.
    """
    found = Gathered(Claims(files))

    def read_whole(path: str) -> bytes:
        data = read(path)
        if len(data) != files[path].size_bytes:
            raise EvidenceError(path, "it is being written")
        found.own_digests[path] = digest_of(Algorithm.XXH128, data)
        return data

    found.histories = read_histories(files, read_whole)
    for path in files:
        if is_history_file(path):
            if path not in found.own_digests:
                read_whole(path)
        elif is_candidate(path) and files[path].size_bytes <= MANIFEST_BYTES_MAX:
            _gather_list(found, name, path, read_whole)
    for history in found.histories:
        _gather_history(found, history)
    # The claims have it now: what each says of every file need not be kept twice.
    found.histories = tuple(replace(history, files={}) for history in found.histories)
    return found


def gather_beside(found: Gathered, name: str, beside: Iterable[SeenFile], read: Read) -> None:
    """Add the lists that lie beside a roll and say something of it. Raises EvidenceError."""
    for file in beside:
        if not is_candidate(file.path) or file.size_bytes > MANIFEST_BYTES_MAX:
            continue
        data = read(file.path)
        is_named = _is_named_after(name, file.path)
        if is_named or f"{name}/".encode() in data or f"{name}\\".encode() in data:
            _gather_one_beside(found, name, read_list(data, file.path), is_named=is_named)


def _gather_one_beside(found: Gathered, name: str, listing: FoundList, *, is_named: bool) -> None:
    prefix = f"{name}/"
    ours = tuple(entry for entry in listing.entries if entry.path.startswith(prefix))
    if ours:
        found.take(listing, _moved(ours, lambda path: path.removeprefix(prefix)))
    elif not is_named:
        return
    elif _is_about(found, name, listing):
        found.take(listing, listing.entries)
    if not listing.is_finished:
        found.growing.append(listing.path)


def is_evidence_name(path: str) -> bool:
    """Tell whether a file's name alone may make it evidence, whatever is in it by now."""
    return is_history_file(path) or is_candidate(path)


def is_candidate(path: str) -> bool:
    """Tell whether a file may be a list or a manifest, judging by its name."""
    return path.lower().endswith(".mhl") or is_list_name(path)


def read_list(data: bytes, path: str) -> FoundList:
    """Read a list of whatever kind. Raises EvidenceError."""
    if not path.lower().endswith(".mhl"):
        listing = parse_checksum_list(data, name=path)
        return FoundList(
            path, _plain_kind(listing.entries, path), listing.entries, True, listing.is_finished
        )
    if MANIFEST_NAMESPACE.encode() in data[:_NAMESPACE_WITHIN_BYTES]:
        return FoundList(path, f"ASC MHL manifest {shown(path)}", _alone(data, path))
    entries = parse_media_hash_list(data, name=path)
    return FoundList(path, f"media hash list {shown(path)}", entries)


def _gather_list(found: Gathered, name: str, path: str, read: Read) -> None:
    try:
        listing = read_list(read(path), path)
    except EvidenceError as error:
        found.unread[path] = error
        found.own_digests.pop(path, None)
        return
    if not listing.is_finished:
        found.growing.append(path)
    elif listing.entries or not listing.is_plain:
        own = (entry for entry in _placed(found, name, listing) if entry.path != path)
        found.take(listing, own)
    else:
        found.own_digests.pop(path, None)


def _placed(found: Gathered, name: str, listing: FoundList) -> tuple[ListedFile, ...]:
    """Return the entries with paths relative to the roll.

    A list is relative to its own folder, to the roll, or to the folder above the roll: by which
    of them more of its files are found.
    """
    folder, prefix = parent_of(listing.path), f"{name}/"
    choices = [_moved(listing.entries, lambda path: under(folder, path)), listing.entries]
    if all(entry.path.startswith(prefix) for entry in listing.entries):
        choices.append(_moved(listing.entries, lambda path: path.removeprefix(prefix)))
    return max(choices, key=found.claims.count_present)


def _is_about(found: Gathered, name: str, listing: FoundList) -> bool:
    """Tell whether a list beside, named after the roll, is about it and not `A012_B`'s, say."""
    stem = listing.path.rpartition(".")[0]
    if stem == name or _DATED.fullmatch(listing.path[len(name) :]):
        return True
    return 2 * found.claims.count_present(listing.entries) >= len(listing.entries) > 0


def _is_named_after(name: str, path: str) -> bool:
    return path.startswith(name) and path[len(name) : len(name) + 1] in {".", "_", "-", " "}


def _moved(entries: Iterable[ListedFile], move: Callable[[str], str]) -> tuple[ListedFile, ...]:
    return tuple(
        ListedFile(move(entry.path), entry.digests, entry.size_bytes, entry.line)
        for entry in entries
    )


def _gather_history(found: Gathered, history: History) -> None:
    for path, known in history.files.items():
        full = under(history.scope, path)
        if known.failed_in is not None:
            wrong = f"{shown(path)} was found not to match"
            raise EvidenceError(known.failed_in, wrong, path=full, remedy=FAILED_REMEDY)
        source = known.said_in[-1] if known.said_in else history.chain_path
        found.claims.add(source, [ListedFile(full, known.digests, known.size_bytes)])
    of = f" of {shown(history.scope)}" if history.scope else ""
    found.kinds.insert(0, f"ASC MHL generation {len(history.chain)}{of}")


def _alone(data: bytes, path: str) -> tuple[ListedFile, ...]:
    """Read a manifest that stands alone, taken as relative to its folder as other lists are."""
    entries: list[ListedFile] = []
    for record in read_manifest(data, path).files:
        if any(action is Action.FAILED for _, action in record.digests):
            wrong = f"{shown(record.path)} was found not to match"
            raise EvidenceError(path, wrong, line=record.line, remedy=FAILED_REMEDY)
        digests = tuple(digest for digest, _ in record.digests)
        entries.append(ListedFile(record.path, digests, record.size_bytes, record.line))
    return tuple(entries)


def _plain_kind(entries: Iterable[ListedFile], path: str) -> str:
    algorithms = {digest.algorithm for entry in entries for digest in entry.digests}
    return f"{'+'.join(sorted(algorithms)) or 'empty'} list {shown(path)}"
