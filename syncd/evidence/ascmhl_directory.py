"""Directory hashes of ASC MHL (specification v1.0, 6.5.2 and Appendix G), from file digests alone.

    content    the hash of the children's digests and content hashes, sorted as text
    structure  the same over H(name + digest) and H(name + structure hash)

The specification is silent on empty folders; here they hash as nothing, and their name counts.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from syncd.evidence.hashers import digest_of, new_hasher
from syncd.evidence.paths import name_of, parent_of
from syncd.roll.digests import Algorithm, Digest


@dataclass(slots=True)
class _Children:
    content: list[Digest] = field(default_factory=list)
    structure: list[Digest] = field(default_factory=list)


def directory_hashes(
    algorithm: Algorithm, files: Mapping[str, Digest], folders: Iterable[str] = ()
) -> dict[str, tuple[Digest, Digest]]:
    """Return content and structure hash of every folder, "" for the one all paths start from.

    files: digests in algorithm by path. folders: those without files, naming others does no harm.
    """
    children: dict[str, _Children] = {"": _Children()}
    for folder in folders:
        _open(children, folder)
    for path, digest in files.items():
        _open(children, parent_of(path))
        _add(children, path, digest, digest)
    hashes: dict[str, tuple[Digest, Digest]] = {}
    # Longer paths first: a folder is whole once all below it are.
    for folder in sorted(children, key=lambda path: (-path.count("/"), path == "")):
        inside = children[folder]
        hashes[folder] = (
            list_hash(algorithm, inside.content),
            list_hash(algorithm, inside.structure),
        )
        if folder:
            _add(children, folder, *hashes[folder])
    return hashes


def list_hash(algorithm: Algorithm, digests: Iterable[Digest]) -> Digest:
    """Return the hash of digests, sorted by their text and taken as raw bytes."""
    hasher = new_hasher(algorithm)
    # Raw bytes sort as their text does: hex has a fixed width, and C4's alphabet ascends.
    for value in sorted(digest.value for digest in digests):
        hasher.update(value)
    return hasher.digest()


def _open(children: dict[str, _Children], folder: str) -> None:
    while folder not in children:
        children[folder] = _Children()
        folder = parent_of(folder)


def _add(children: dict[str, _Children], path: str, content: Digest, structure: Digest) -> None:
    parent = children[parent_of(path)]
    parent.content.append(content)
    named = name_of(path).encode() + structure.value
    parent.structure.append(digest_of(structure.algorithm, named))
