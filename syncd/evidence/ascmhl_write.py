"""The next ASC MHL generation of a whole roll, part by part: what this copy proved of every file.

Owns: which history a record goes to (the closest), the actions, directory hashes, references and
the chains. SHA-256 and SHA-512 have no element in ASC MHL and are left out.
Must not: hash media, or touch a disk or a clock; what was proved and when is passed in.
"""

from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from syncd.evidence.ascmhl_directory import directory_hashes
from syncd.evidence.ascmhl_history import History, is_history_file
from syncd.evidence.ascmhl_model import (
    CHAIN_NAME,
    DEFAULT_IGNORE,
    FORMATS,
    Action,
    ChainEntry,
    DirectoryRecord,
    FileRecord,
    Manifest,
    Reference,
)
from syncd.evidence.ascmhl_render import Creator, render_chain, render_manifest
from syncd.evidence.hashers import Hasher, new_hasher
from syncd.evidence.ignoring import Ignoring
from syncd.evidence.paths import name_of, parent_of, under
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.names import HISTORY_FOLDER

# Directory hashes are in one format: the first of these that every file has.
DIRECTORY_FORMATS = (
    Algorithm.XXH128,
    Algorithm.XXH64,
    Algorithm.XXH3,
    Algorithm.MD5,
    Algorithm.SHA1,
    Algorithm.C4,
)


@dataclass(frozen=True, slots=True)
class SealedFile:
    """One file as it was read back from this copy.

    path: relative to the roll. digests: all taken from this copy, in the read that proved it.
    """

    path: str
    size_bytes: int
    mtime_ns: int
    digests: tuple[Digest, ...]


@dataclass(frozen=True, slots=True)
class NewFile:
    """A file to write into the roll; a chain takes the place of the one before.

    parts: its bytes, to be taken once, and before the next file is asked for.
    """

    path: str
    parts: Iterator[bytes]


def next_generation(
    roll_name: str,
    files: Sequence[SealedFile],
    histories: Sequence[History],
    *,
    host_name: str,
    tool_version: str,
    started_utc_ms: int,
    folders: Iterable[str] = (),
    ignore: Iterable[str] = (),
) -> Iterator[NewFile]:
    """Yield manifests and chains, inner histories first, each manifest before its chain.

    files: all files of the roll, lists included; those of histories are passed over. They are
        looked at several times and not kept: a roll may have hundreds of thousands.
    histories: as read_histories() gives them for this roll; none: one is begun.
    folders: those without files. ignore: patterns on top of those the histories have.

    Raises ValueError, before the first, if a file's digests differ from what its history recorded,
    or have no format in common with it: such a file must not be sealed.
    """
    creator = Creator(host_name, tool_version, started_utc_ms)
    scopes = [_Scope(history.scope, history) for history in histories]
    if not scopes or scopes[0].folder:
        scopes.insert(0, _Scope("", None))
    for scope in scopes:
        old = scope.history.ignoring.patterns if scope.history else ()
        scope.ignoring = Ignoring((*DEFAULT_IGNORE, *old, *ignore))
    return _Roll(roll_name, scopes, creator, files).generations(folders)


class _Scope:
    """One history that gains a generation, and what it will say."""

    def __init__(self, folder: str, history: History | None) -> None:
        self.folder = folder
        self.history = history
        self.ignoring = Ignoring(())
        self.files = array("L")  # which of the roll's
        self.folders: list[DirectoryRecord] = []
        self.references: list[Reference] = []
        self.root: tuple[tuple[Digest, ...], tuple[Digest, ...]] = ((), ())

    def relative(self, path: str) -> str:
        """Return a path of the roll as this history has it."""
        return path[len(self.folder) + 1 :] if self.folder else path

    def record(self, file: SealedFile) -> FileRecord:
        """Say of a file what this history will. Raises ValueError."""
        path = self.relative(file.path)
        usable = [digest for digest in file.digests if digest.algorithm in FORMATS]
        if not usable:
            raise ValueError(f"{file.path} has no digest that ASC MHL has an element for")
        action = self._action(path, usable)
        digests = tuple((digest, action) for digest in usable)
        return FileRecord(path, file.size_bytes, digests, None, 0)

    def _action(self, path: str, digests: list[Digest]) -> Action:
        """Compare with what is recorded; a match vouches for the formats that are new, too."""
        known = self.history.files.get(path) if self.history else None
        if known is None or not known.digests:
            return Action.ORIGINAL
        common = [digest for digest in digests if known.digest(digest.algorithm)]
        if not common:
            raise ValueError(f"{path} was not hashed in a format that its history has")
        for digest in common:
            if known.digest(digest.algorithm) != digest:
                raise ValueError(f"{path} is {digest}, and its history says otherwise")
        return Action.VERIFIED


class _Roll:
    """Spreads files and folders over the histories, and writes each."""

    def __init__(
        self, name: str, scopes: list[_Scope], creator: Creator, files: Sequence[SealedFile]
    ) -> None:
        self._name = name
        self._scopes = {scope.folder: scope for scope in scopes}
        self._creator = creator
        self._files = files
        # The formats of DIRECTORY_FORMATS that every file has.
        self._common = set(DIRECTORY_FORMATS)

    def generations(self, folders: Iterable[str]) -> Iterator[NewFile]:
        """Check every file first, then write."""
        for index, file in enumerate(self._files):
            if self._is_recorded(file.path):
                scope = self._around(parent_of(file.path))[-1]
                scope.record(file)
                scope.files.append(index)
                self._common.intersection_update(digest.algorithm for digest in file.digests)
        self._add_folders([folder for folder in folders if self._is_recorded(f"{folder}/")])
        for scope in sorted(self._scopes.values(), key=lambda scope: -_depth(scope.folder)):
            if scope.files or scope.folders:
                yield from self._write(scope)

    def _around(self, folder: str) -> list[_Scope]:
        """Return the histories around a folder, outer first."""
        found: list[_Scope] = []
        while True:
            if folder in self._scopes:
                found.insert(0, self._scopes[folder])
            if not folder:
                return found
            folder = parent_of(folder)

    def _is_recorded(self, path: str) -> bool:
        if is_history_file(path):
            return False
        around = self._around(parent_of(path.rstrip("/")))
        return not any(scope.ignoring.is_ignored(scope.relative(path)) for scope in around)

    def _add_folders(self, folders: list[str]) -> None:
        algorithm = next((a for a in DIRECTORY_FORMATS if a in self._common), None)
        if algorithm is None:
            return
        hashes = directory_hashes(algorithm, self._digests(algorithm), folders)
        for folder in sorted(hashes, key=str.encode):
            content, structure = ((digest,) for digest in hashes[folder])
            if folder in self._scopes:
                self._scopes[folder].root = (content, structure)
            if folder:
                scope = self._around(parent_of(folder))[-1]
                path = scope.relative(folder)
                scope.folders.append(DirectoryRecord(path, content, structure, None, 0))

    def _digests(self, algorithm: Algorithm) -> Iterator[tuple[str, Digest]]:
        for scope in self._scopes.values():
            for index in scope.files:
                file = self._files[index]
                yield file.path, next(d for d in file.digests if d.algorithm is algorithm)

    def _write(self, scope: _Scope) -> Iterator[NewFile]:
        chain = scope.history.chain if scope.history else ()
        number = len(chain) + 1
        folder_name = name_of(scope.folder) or self._name
        name = f"{number:04}_{folder_name}_{self._creator.stamp}.mhl"
        path = under(scope.folder, f"{HISTORY_FOLDER}/{name}")
        manifest = Manifest(
            path=path,
            process="transfer",
            ignore=scope.ignoring.patterns,
            files=(),
            folders=tuple(scope.folders),
            root_content=scope.root[0],
            root_structure=scope.root[1],
            references=tuple(scope.references),
        )
        files = (self._files[index] for index in scope.files)
        records = ((scope.record(file), file.mtime_ns) for file in files)
        hasher = new_hasher(Algorithm.C4)
        yield NewFile(path, _hashed(hasher, render_manifest(manifest, records, self._creator)))
        c4 = hasher.digest()
        if scope.folder:
            outer = self._around(parent_of(scope.folder))[-1]
            outer.references.append(Reference(outer.relative(path), c4, 0))
        entries = (*chain, ChainEntry(number, name, c4))
        chain_path = under(scope.folder, f"{HISTORY_FOLDER}/{CHAIN_NAME}")
        yield NewFile(chain_path, iter([render_chain(entries)]))


def _hashed(hasher: Hasher, parts: Iterable[bytes]) -> Iterator[bytes]:
    for part in parts:
        hasher.update(part)
        yield part


def _depth(folder: str) -> int:
    return folder.count("/") + 1 if folder else 0
