"""ASC MHL histories of a roll: chain and generations put together, nested histories included.

Owns: which digests of a file count after renames and failures, and that chain, manifests and
references belong together (specification v1.0, 5.3, 5.6, 7.4).
Must not: open files; the names that are there and a function that reads one are passed in.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from syncd.evidence.ascmhl_model import (
    CHAIN_NAME,
    HISTORY_FOLDER,
    Action,
    ChainEntry,
    FileRecord,
    Manifest,
)
from syncd.evidence.ascmhl_read import read_chain, read_manifest
from syncd.evidence.errors import EvidenceError
from syncd.evidence.hashers import digest_of
from syncd.evidence.ignoring import Ignoring
from syncd.evidence.paths import name_of, parent_of, under
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.names import shown
from syncd.roll.stages import HeldCode

Read = Callable[[str], bytes]

COPY_AGAIN = "Copy the history again from its source; the roll goes on by itself."
FAILED = "Replace it by a good copy from the card, verify it with the tool that keeps the history."


@dataclass(slots=True)
class Known:
    """What a history says of one file, all generations taken together.

    digests: those that may be verified against, with the manifest that said so first.
    failed_in: the latest manifest, if it says that the file did not match.
    """

    size_bytes: int | None = None
    digests: dict[Algorithm, tuple[Digest, str]] = field(default_factory=dict)
    failed_in: str | None = None


@dataclass(frozen=True)
class History:
    """One history with all its generations.

    scope: the folder it covers, relative to the roll; "" is the roll itself.
    chain: its generations in order; manifests: the same, read.
    files: by path relative to the scope, under their latest names.
    """

    scope: str
    chain: tuple[ChainEntry, ...]
    manifests: tuple[Manifest, ...]
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


def read_histories(paths: Iterable[str], read: Read) -> tuple[History, ...]:
    """Read all histories among the paths of a roll, outer before inner. Raises EvidenceError.

    paths: the roll's files, or at least those in ascmhl folders. read: gives one file's bytes.
    """
    return _Reading(frozenset(filter(is_history_file, paths)), read).all()


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

    def __init__(self, present: frozenset[str], read: Read) -> None:
        self._present = present
        self._read = read
        self._c4s: dict[str, Digest] = {}

    def all(self) -> tuple[History, ...]:
        histories = tuple(self._history(scope) for scope in find_scopes(self._present))
        for history in histories:
            self._check_references(history)
        return histories

    def _history(self, scope: str) -> History:
        folder = under(scope, HISTORY_FOLDER)
        chain_path = f"{folder}/{CHAIN_NAME}"
        if chain_path not in self._present:
            raise _absent(chain_path, "the history has no chain (yet)")
        chain = read_chain(self._read(chain_path), chain_path)
        self._check_unchained(folder, {f"{folder}/{entry.name}" for entry in chain})
        manifests = tuple(self._generation(folder, entry) for entry in chain)
        patterns = [pattern for manifest in manifests for pattern in manifest.ignore]
        return History(scope, chain, manifests, _merge(manifests), Ignoring(patterns, chain_path))

    def _generation(self, folder: str, entry: ChainEntry) -> Manifest:
        path = f"{folder}/{entry.name}"
        if path not in self._present:
            raise _absent(path, f"generation {entry.number} of the chain is not there (yet)")
        data = self._read(path)
        self._c4s[path] = digest_of(Algorithm.C4, data)
        if self._c4s[path] != entry.c4:
            wrong = f"{shown(entry.name)} is not the manifest that the chain names: its C4 differs"
            raise EvidenceError(f"{folder}/{CHAIN_NAME}", wrong, path=path, remedy=COPY_AGAIN)
        return read_manifest(data, path)

    def _check_unchained(self, folder: str, chained: set[str]) -> None:
        """Refuse a manifest that the chain does not name: it is yet to be written, or lost."""
        for path in sorted(self._present):
            is_manifest = parent_of(path) == folder and path.lower().endswith(".mhl")
            if is_manifest and path not in chained:
                wrong = f"{CHAIN_NAME} beside it does not name this manifest (yet)"
                raise EvidenceError(path, wrong, remedy=COPY_AGAIN)

    def _check_references(self, history: History) -> None:
        """Check that the nested manifests referred to are there, byte for byte."""
        for manifest in history.manifests:
            for reference in manifest.references:
                path = under(history.scope, reference.path)
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


def _merge(manifests: Iterable[Manifest]) -> dict[str, Known]:
    files: dict[str, Known] = {}
    for manifest in manifests:
        _rename(files, manifest)
        for record in manifest.files:
            _add(files.setdefault(record.path, Known()), record, manifest.path)
    return files


def _rename(files: dict[str, Known], manifest: Manifest) -> None:
    """Move what is known to the names of this generation: all at once, so that names may swap."""
    moves = {record.previous_path: record.path for record in manifest.files}
    folders = {record.previous_path: record.path for record in manifest.folders}
    moves.pop(None, None)
    folders.pop(None, None)
    if not moves and not folders:
        return
    for old in list(files) if folders else ():
        folder = parent_of(old)
        while folder and old not in moves:
            if folder in folders:
                moves[old] = folders[folder] + old[len(folder) :]
            folder = parent_of(folder)
    known = {new: files.pop(old) for old, new in moves.items() if old in files}
    files.update(known)


def _add(known: Known, record: FileRecord, manifest: str) -> None:
    known.failed_in = None
    if record.size_bytes is not None:
        known.size_bytes = record.size_bytes
    for digest, action in record.digests:
        if action is Action.FAILED:
            known.failed_in = manifest
            continue
        before, said_in = known.digests.setdefault(digest.algorithm, (digest, manifest))
        if before != digest:
            wrong = (
                f"{shown(record.path)} has {digest} here and {before.text} in "
                f"{shown(name_of(said_in))}"
            )
            raise EvidenceError(manifest, wrong, line=record.line, path=record.path, remedy=FAILED)
