"""What an ASC MHL manifest and chain say, as data (specification v1.0, XML format 2.0).

Must not: read or write XML; see ascmhl_read.py and ascmhl_write.py.
"""

from dataclasses import dataclass
from enum import StrEnum

from syncd.roll.digests import Algorithm, Digest

MANIFEST_NAMESPACE = "urn:ASC:MHL:v2.0"
CHAIN_NAMESPACE = "urn:ASC:MHL:DIRECTORY:v2.0"
CHAIN_NAME = "ascmhl_chain.xml"
DEFAULT_IGNORE = (".DS_Store", "ascmhl", "ascmhl/")
# Appendix A wants them in this order; readers take any.
FORMATS: tuple[Algorithm, ...] = (
    Algorithm.C4,
    Algorithm.MD5,
    Algorithm.SHA1,
    Algorithm.XXH128,
    Algorithm.XXH3,
    Algorithm.XXH64,
)


class Action(StrEnum):
    """How a digest came about (5.2, 6.5.1). Only the first two may be verified against."""

    ORIGINAL = "original"
    VERIFIED = "verified"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class FileRecord:
    """One `hash`: a file, with its digests and how each came about.

    previous_path: what it was called before the rename that this manifest records.
    """

    path: str
    size_bytes: int | None
    digests: tuple[tuple[Digest, Action], ...]
    previous_path: str | None
    line: int


@dataclass(frozen=True, slots=True)
class DirectoryRecord:
    """One `directoryhash`; content and structure are in the same formats."""

    path: str
    content: tuple[Digest, ...]
    structure: tuple[Digest, ...]
    previous_path: str | None
    line: int


@dataclass(frozen=True, slots=True)
class Reference:
    """A manifest of a nested history, by path relative to the scope, and its C4."""

    path: str
    c4: Digest
    line: int


@dataclass(frozen=True, slots=True)
class Manifest:
    """One generation of a history, or a manifest that stands alone.

    path: the manifest itself, for messages.
    """

    path: str
    process: str
    ignore: tuple[str, ...]
    files: tuple[FileRecord, ...]
    folders: tuple[DirectoryRecord, ...]
    root_content: tuple[Digest, ...]
    root_structure: tuple[Digest, ...]
    references: tuple[Reference, ...]


@dataclass(frozen=True, slots=True)
class ChainEntry:
    """One line of the chain: a generation's number, its manifest beside the chain, and its C4."""

    number: int
    name: str
    c4: Digest
