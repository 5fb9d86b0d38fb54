"""ASC MHL histories of a roll: chain and generations put together, nested histories included.

Owns: which digests of a file count after renames and failures, and that chain, manifests and
references belong together (specification v1.0, 5.3, 5.6, 7.4).
Must not: open files; the names that are there and a function that reads one are passed in.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from syncd.evidence.ascmhl_model import (
    CHAIN_NAME,
    Action,
    ChainEntry,
    DirectoryRecord,
    FileRecord,
    Manifest,
)
from syncd.evidence.ascmhl_read import read_chain, read_manifest
from syncd.evidence.errors import EvidenceError
from syncd.evidence.hashers import digest_of
from syncd.evidence.ignoring import Ignoring
from syncd.evidence.paths import name_of, parent_of, under
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry
from syncd.roll.names import HISTORY_FOLDER, shown
from syncd.roll.stages import HeldCode

Read = Callable[[str], bytes]

COPY_AGAIN = "Copy the history again from its source; the roll goes on by itself."
FAILED = "Replace it by a good copy from the card, verify it with the tool that keeps the history."


@dataclass(slots=True)
class Known:
    """What a history says of one file, all generations taken together.

    digests: those that may be verified against, one of a format.
    said_in: for each, the manifest that said so first.
    failed_in: the latest manifest, if it says that the file did not match.
    """

    size_bytes: int | None = None
    digests: tuple[Digest, ...] = ()
    said_in: tuple[str, ...] = ()
    failed_in: str | None = None

    def digest(self, algorithm: Algorithm) -> Digest | None:
        """Return the digest in a format, or None."""
        return next((d for d in self.digests if d.algorithm is algorithm), None)


@dataclass(frozen=True)
class History:
    """One history with all its generations.

    scope: the folder it covers, relative to the roll; "" is the roll itself.
    chain: its generations in order.
    files: by path relative to the scope, under their latest names.
    """

    scope: str
    chain: tuple[ChainEntry, ...]
    files: dict[str, Known]
    ignoring: Ignoring

    @property
    def chain_path(self) -> str:
        """Where its chain lies, relative to the roll."""
        return under(self.scope, f"{HISTORY_FOLDER}/{CHAIN_NAME}")


def is_history_file(path: str) -> bool:
    """Tell whether a path of a roll is part of a history: it lies in a folder named ascmhl."""
    return f"/{HISTORY_FOLDER}/" in f"/{path}"


def find_scopes(paths: Iterable[str]) -> list[str]:
    """Return the folders that have a history, outer before inner."""
    folders = {f"/{path}".partition(f"/{HISTORY_FOLDER}/")[0] for path in paths}
    return sorted((folder[1:] for folder in folders), key=lambda scope: scope.split("/"))


def read_histories(
    paths: Iterable[str], read: Read, frozen: Iterable[FileEntry] = ()
) -> tuple[History, ...]:
    """Read all histories among the paths of a roll, outer before inner. Raises EvidenceError.

    paths: the roll's files, or at least those in ascmhl folders. read: gives one file's bytes.
    frozen: what the roll was frozen as; what a history of all of it says alike is not kept twice.
    """
    by_path = {entry.path: entry for entry in frozen}
    return _Reading(frozenset(filter(is_history_file, paths)), read, by_path).all()


def closest(histories: Iterable[History], path: str) -> History | None:
    """Return the history that a record of path belongs to: the innermost around it."""
    scopes = {history.scope: history for history in histories}
    folder = path
    while folder:
        folder = parent_of(folder)
        if folder in scopes:
            return scopes[folder]
    return None


class _Reading:
    """Reads the histories of one roll; remembers the C4 of each manifest for the references."""

    def __init__(
        self, present: frozenset[str], read: Read, frozen: Mapping[str, FileEntry]
    ) -> None:
        self._present = present
        self._frozen = frozen
        self._read = read
        self._c4s: dict[str, Digest] = {}
        self._referring: list[tuple[str, Manifest]] = []

    def all(self) -> tuple[History, ...]:
        histories = tuple(self._history(scope) for scope in find_scopes(self._present))
        for scope, manifest in self._referring:
            self._check_references(scope, manifest)
        return histories

    def _history(self, scope: str) -> History:
        folder = under(scope, HISTORY_FOLDER)
        chain_path = f"{folder}/{CHAIN_NAME}"
        if chain_path not in self._present:
            raise _absent(chain_path, "the history has no chain (yet)")
        chain = read_chain(self._read(chain_path), chain_path)
        self._check_unchained(folder, {f"{folder}/{entry.name}" for entry in chain})
        merge = _Merge({} if scope else self._frozen)
        patterns: list[str] = []
        for entry in chain:
            manifest = self._generation(folder, entry, merge)
            self._referring.append((scope, manifest))
            patterns += manifest.ignore
        return History(scope, chain, merge.files, Ignoring(patterns, chain_path))

    def _generation(self, folder: str, entry: ChainEntry, merge: "_Merge") -> Manifest:
        path = f"{folder}/{entry.name}"
        if path not in self._present:
            raise _absent(path, f"generation {entry.number} of the chain is not there (yet)")
        data = self._read(path)
        self._c4s[path] = digest_of(Algorithm.C4, data)
        if self._c4s[path] != entry.c4:
            wrong = f"{shown(entry.name)} is not the manifest that the chain names: its C4 differs"
            raise EvidenceError(f"{folder}/{CHAIN_NAME}", wrong, path=path, remedy=COPY_AGAIN)
        return merge.take_in(data, path)

    def _check_unchained(self, folder: str, chained: set[str]) -> None:
        """Refuse a manifest that the chain does not name: it is yet to be written, or lost."""
        for path in sorted(self._present):
            is_manifest = parent_of(path) == folder and path.lower().endswith(".mhl")
            if is_manifest and path not in chained:
                wrong = f"{CHAIN_NAME} beside it does not name this manifest (yet)"
                raise EvidenceError(path, wrong, remedy=COPY_AGAIN)

    def _check_references(self, scope: str, manifest: Manifest) -> None:
        """Check that the nested manifests referred to are there, byte for byte."""
        for reference in manifest.references:
            path = under(scope, reference.path)
            if path not in self._present:
                raise _absent(path, f"{shown(manifest.path)} refers to it, and it is not there")
            if self._c4s.get(path) != reference.c4:
                wrong = f"{shown(path)} is not the manifest it refers to: its C4 differs"
                raise EvidenceError(
                    manifest.path, wrong, line=reference.line, path=path, remedy=COPY_AGAIN
                )


def _absent(path: str, wrong: str) -> EvidenceError:
    code = HeldCode.FILE_MISSING
    return EvidenceError(path, wrong, code=code, remedy=COPY_AGAIN)


class _Merge:
    """What all generations read so far say, file by file."""

    def __init__(self, frozen: Mapping[str, FileEntry]) -> None:
        self.files: dict[str, Known] = {}
        self._frozen = frozen
        # One tuple for all files that were recorded in the same manifests.
        self._said_in: dict[tuple[str, ...], tuple[str, ...]] = {}

    def take_in(self, data: bytes, path: str) -> Manifest:
        """Read the next generation; its records are not kept in what is returned."""
        if not self.files:  # nothing can have been renamed: no record need be kept for later

            def take(record: FileRecord | DirectoryRecord) -> None:
                if isinstance(record, FileRecord):
                    self._add(record, path)

            return read_manifest(data, path, take)
        records: list[FileRecord | DirectoryRecord] = []
        manifest = read_manifest(data, path, records.append)
        self._rename(records)
        records.reverse()
        while records:
            record = records.pop()
            if isinstance(record, FileRecord):
                self._add(record, path)
        return manifest

    def _rename(self, records: Iterable[FileRecord | DirectoryRecord]) -> None:
        """Move what is known to the names of this generation: all at once, so names may swap."""
        moves: dict[str, str] = {}
        folders: dict[str, str] = {}
        for record in records:
            if record.previous_path is not None:
                into = moves if isinstance(record, FileRecord) else folders
                into[record.previous_path] = record.path
        for old in list(self.files) if folders else ():
            folder = parent_of(old)
            while folder and old not in moves:
                if folder in folders:
                    moves[old] = folders[folder] + old[len(folder) :]
                folder = parent_of(folder)
        known = {new: self.files.pop(old) for old, new in moves.items() if old in self.files}
        self.files.update(known)

    def _add(self, record: FileRecord, manifest: str) -> None:
        entry = self._frozen.get(record.path)
        known = self.files.setdefault(record.path if entry is None else entry.path, Known())
        known.failed_in = None
        if record.size_bytes is not None:
            known.size_bytes = record.size_bytes
        for digest, action in record.digests:
            if action is Action.FAILED:
                known.failed_in = manifest
                continue
            before = known.digest(digest.algorithm)
            if before is None:
                known.digests += (digest,)
                said_in = (*known.said_in, manifest)
                known.said_in = self._said_in.setdefault(said_in, said_in)
            elif before != digest:
                first = known.said_in[known.digests.index(before)]
                raise _contradiction(record, digest, before, first, manifest)
        if entry is not None and known.digests == entry.digests:
            known.digests = entry.digests


def _contradiction(
    record: FileRecord, digest: Digest, before: Digest, said_in: str, manifest: str
) -> EvidenceError:
    wrong = f"{shown(record.path)} has {digest} here and {before.text} in {shown(name_of(said_in))}"
    return EvidenceError(manifest, wrong, line=record.line, path=record.path, remedy=FAILED)
