"""Directory hashes of ASC MHL (specification v1.0, 6.5.2 and Appendix G), from file digests alone.

    content    the hash of the children's digests and content hashes, sorted as text
    structure  the same over H(name + digest) and H(name + structure hash)

The specification is silent on empty folders; here they hash as nothing, and their name counts.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

from syncd.evidence.hashers import digest_of, new_hasher
from syncd.evidence.paths import name_of, parent_of
from syncd.roll.digests import Algorithm, Digest


@dataclass(slots=True)
class _Children:
    content: list[bytes] = field(default_factory=list)
    structure: list[bytes] = field(default_factory=list)


def directory_hashes(
    algorithm: Algorithm, files: Iterable[tuple[str, Digest]], folders: Iterable[str] = ()
) -> dict[str, tuple[Digest, Digest]]:
    """Return content and structure hash of every folder, "" for the one all paths start from.

    files: paths, each with its digest in algorithm. folders: those without files; naming others
        does no harm.
    """
    children: dict[str, _Children] = {"": _Children()}
    for folder in folders:
        _open(children, folder)
    for path, digest in files:
        _open(children, parent_of(path))
        _add(children, path, digest, digest)
    hashes: dict[str, tuple[Digest, Digest]] = {}
    # Longer paths first: a folder is whole once all below it are.
    for folder in sorted(children, key=lambda path: (-path.count("/"), path == "")):
        inside = children.pop(folder)
        hashes[folder] = (
            _sorted_hash(algorithm, inside.content),
            _sorted_hash(algorithm, inside.structure),
        )
        if folder:
            _add(children, folder, *hashes[folder])
    return hashes


def list_hash(algorithm: Algorithm, digests: Iterable[Digest]) -> Digest:
    """Return the hash of digests, sorted by their text and taken as raw bytes."""
    return _sorted_hash(algorithm, [digest.value for digest in digests])


def _sorted_hash(algorithm: Algorithm, values: list[bytes]) -> Digest:
    hasher = new_hasher(algorithm)
    # Raw bytes sort as their text does: hex has a fixed width, and C4's alphabet ascends.
    values.sort()
    for value in values:
        hasher.update(value)
    return hasher.digest()


def _open(children: dict[str, _Children], folder: str) -> None:
    while folder not in children:
        children[folder] = _Children()
        folder = parent_of(folder)


def _add(children: dict[str, _Children], path: str, content: Digest, structure: Digest) -> None:
    parent = children[parent_of(path)]
    parent.content.append(content.value)
    named = name_of(path).encode() + structure.value
    parent.structure.append(digest_of(structure.algorithm, named).value)
