"""The next ASC MHL generation of a whole roll, as bytes: what this copy proved of every file.

Owns: which history a record goes to (the closest), the actions, directory hashes, references and
the chains. SHA-256 and SHA-512 have no element in ASC MHL and are left out.
Must not: hash media, or touch a disk or a clock; what was proved and when is passed in.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from syncd.evidence.ascmhl_directory import directory_hashes
from syncd.evidence.ascmhl_history import History, is_history_file
from syncd.evidence.ascmhl_model import (
    CHAIN_NAME,
    DEFAULT_IGNORE,
    FORMATS,
    HISTORY_FOLDER,
    Action,
    ChainEntry,
    DirectoryRecord,
    FileRecord,
    Manifest,
    Reference,
)
from syncd.evidence.ascmhl_render import Creator, render_chain, render_manifest
from syncd.evidence.hashers import digest_of
from syncd.evidence.ignoring import Ignoring
from syncd.evidence.paths import name_of, parent_of, under
from syncd.roll.digests import Algorithm, Digest

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
    """A file to write into the roll; a chain takes the place of the one before."""

    path: str
    data: bytes


def next_generation(
    roll_name: str,
    files: Iterable[SealedFile],
    histories: Sequence[History],
    *,
    host_name: str,
    tool_version: str,
    started_utc_ms: int,
    folders: Iterable[str] = (),
    ignore: Iterable[str] = (),
) -> list[NewFile]:
    """Return manifests and chains, inner histories first, each manifest before its chain.

    files: all files of the roll, lists included; those of histories are passed over.
    histories: as read_histories() gives them for this roll; none: one is begun.
    folders: those without files. ignore: patterns on top of those the histories have.

    Raises ValueError if a file's digests differ from what its history recorded, or have no format
    in common with it: such a file must not be sealed.
    """
    creator = Creator(host_name, tool_version, started_utc_ms)
    scopes = [_Scope(history.scope, history) for history in histories]
    if not scopes or scopes[0].folder:
        scopes.insert(0, _Scope("", None))
    for scope in scopes:
        old = scope.history.ignoring.patterns if scope.history else ()
        scope.ignoring = Ignoring((*DEFAULT_IGNORE, *old, *ignore))
    roll = _Roll(roll_name, scopes, creator)
    return roll.generations(files, folders)


class _Scope:
    """One history that gains a generation, and what it will say."""

    def __init__(self, folder: str, history: History | None) -> None:
        self.folder = folder
        self.history = history
        self.ignoring = Ignoring(())
        self.files: list[FileRecord] = []
        self.folders: list[DirectoryRecord] = []
        self.references: list[Reference] = []
        self.mtimes_ns: dict[str, int] = {}
        self.root: tuple[tuple[Digest, ...], tuple[Digest, ...]] = ((), ())

    def relative(self, path: str) -> str:
        """Return a path of the roll as this history has it."""
        return path[len(self.folder) + 1 :] if self.folder else path

    def add(self, file: SealedFile) -> None:
        path = self.relative(file.path)
        usable = [digest for digest in file.digests if digest.algorithm in FORMATS]
        if not usable:
            raise ValueError(f"{file.path} has no digest that ASC MHL has an element for")
        action = self._action(path, usable)
        digests = tuple((digest, action) for digest in usable)
        self.files.append(FileRecord(path, file.size_bytes, digests, None, 0))
        self.mtimes_ns[path] = file.mtime_ns

    def _action(self, path: str, digests: list[Digest]) -> Action:
        """Compare with what is recorded; a match vouches for the formats that are new, too."""
        known = self.history.files.get(path) if self.history else None
        if known is None or not known.digests:
            return Action.ORIGINAL
        common = [digest for digest in digests if digest.algorithm in known.digests]
        if not common:
            raise ValueError(f"{path} was not hashed in a format that its history has")
        for digest in common:
            if known.digests[digest.algorithm][0] != digest:
                raise ValueError(f"{path} is {digest}, and its history says otherwise")
        return Action.VERIFIED


class _Roll:
    """Spreads files and folders over the histories, and writes each."""

    def __init__(self, name: str, scopes: list[_Scope], creator: Creator) -> None:
        self._name = name
        self._scopes = {scope.folder: scope for scope in scopes}
        self._creator = creator

    def generations(self, files: Iterable[SealedFile], folders: Iterable[str]) -> list[NewFile]:
        recorded = [file for file in files if self._is_recorded(file.path)]
        for file in recorded:
            self._around(parent_of(file.path))[-1].add(file)
        kept = [folder for folder in folders if self._is_recorded(f"{folder}/")]
        self._add_folders(recorded, kept)
        written: list[NewFile] = []
        for scope in sorted(self._scopes.values(), key=lambda scope: -_depth(scope.folder)):
            if scope.files or scope.folders:
                written += self._write(scope)
        return written

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

    def _add_folders(self, files: list[SealedFile], folders: list[str]) -> None:
        algorithm = next((a for a in DIRECTORY_FORMATS if _all_have(files, a)), None)
        if algorithm is None:
            return
        digests = {file.path: d for file in files for d in file.digests if d.algorithm is algorithm}
        hashes = directory_hashes(algorithm, digests, folders)
        for folder in sorted(hashes, key=str.encode):
            content, structure = ((digest,) for digest in hashes[folder])
            if folder in self._scopes:
                self._scopes[folder].root = (content, structure)
            if folder:
                scope = self._around(parent_of(folder))[-1]
                path = scope.relative(folder)
                scope.folders.append(DirectoryRecord(path, content, structure, None, 0))

    def _write(self, scope: _Scope) -> list[NewFile]:
        chain = scope.history.chain if scope.history else ()
        number = len(chain) + 1
        folder_name = name_of(scope.folder) or self._name
        name = f"{number:04}_{folder_name}_{self._creator.stamp}.mhl"
        path = under(scope.folder, f"{HISTORY_FOLDER}/{name}")
        manifest = Manifest(
            path=path,
            process="transfer",
            ignore=scope.ignoring.patterns,
            files=tuple(scope.files),
            folders=tuple(scope.folders),
            root_content=scope.root[0],
            root_structure=scope.root[1],
            references=tuple(scope.references),
        )
        data = render_manifest(manifest, scope.mtimes_ns, self._creator)
        c4 = digest_of(Algorithm.C4, data)
        if scope.folder:
            outer = self._around(parent_of(scope.folder))[-1]
            outer.references.append(Reference(outer.relative(path), c4, 0))
        entries = (*chain, ChainEntry(number, name, c4))
        chain_path = under(scope.folder, f"{HISTORY_FOLDER}/{CHAIN_NAME}")
        return [NewFile(path, data), NewFile(chain_path, render_chain(entries))]


def _all_have(files: list[SealedFile], algorithm: Algorithm) -> bool:
    return all(any(d.algorithm is algorithm for d in file.digests) for file in files)


def _depth(folder: str) -> int:
    return folder.count("/") + 1 if folder else 0
