"""The inventory: the frozen, ordered list of a roll's files, and the roll id it gives.

Owns: order, roll id, the plain form that travels between peers and into the journal.
Must not: read a disk or a clock; whoever builds an Inventory has looked already.
"""

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import Any

from syncd.roll.digests import Algorithm, Digest
from syncd.roll.names import shown

ROLL_ID_LENGTH = 32
EVIDENCE_MARK_BYTES = 16


class FileKind(StrEnum):
    """MEDIA is what the evidence covers; EVIDENCE is the manifests and lists themselves."""

    MEDIA = "media"
    EVIDENCE = "evidence"


class Trust(StrEnum):
    """What makes the roll verified: evidence that came with it, or our own hashing in sending."""

    EVIDENCE = "evidence"
    SETTLED = "settled"


@dataclass(frozen=True, slots=True)
class FileEntry:
    """One file of a roll.

    path: relative to the roll, `/` between parts, exactly as on the source (valid UTF-8).
    mtime_ns: modification time, nanoseconds since the epoch.
    digests: what the evidence says of this file; for a manifest or list itself, our own XXH128
        of it at the time of freezing; empty only for media of a settled roll.
    """

    path: str
    size_bytes: int
    mtime_ns: int
    digests: tuple[Digest, ...] = ()
    kind: FileKind = FileKind.MEDIA

    def digest(self, algorithm: Algorithm) -> Digest | None:
        """Return this file's digest in algorithm, or None."""
        return next((d for d in self.digests if d.algorithm is algorithm), None)


@dataclass(frozen=True)
class Inventory:
    """What one roll consists of, frozen when it was found verified.

    day, name: the two folder names, DAY/ROLL.
    files: sorted by path as UTF-8 bytes; no path twice.
    empty_folders: folders without any file below, sorted; they are made at the destination.

    Raises ValueError if the order or a size is wrong.
    """

    day: str
    name: str
    files: tuple[FileEntry, ...]
    empty_folders: tuple[str, ...] = ()
    trust: Trust = Trust.EVIDENCE

    def __post_init__(self) -> None:
        previous = b""
        for entry in self.files:
            path = entry.path.encode()
            if path <= previous:
                raise ValueError(f"{shown(entry.path)} is out of order or listed twice")
            if entry.size_bytes < 0:
                raise ValueError(f"{shown(entry.path)} has a negative size")
            previous = path

    @cached_property
    def total_bytes(self) -> int:
        """Bytes of all files, manifests included."""
        return sum(entry.size_bytes for entry in self.files)

    @cached_property
    def roll_id(self) -> str:
        """The roll's identity: 32 hex digits of SHA-256 over every media file.

        Covers path, size and evidence digests (a settled roll has none: mtime stands in).
        Day and name are left out: the same content in another folder is the same roll. So are
        manifests: a history that gains a generation leaves the roll the same.
        """
        hasher = hashlib.sha256()
        for entry in self.files:
            if entry.kind is FileKind.EVIDENCE:
                continue
            _feed(hasher, entry.path.encode())
            _feed(hasher, str(entry.size_bytes).encode())
            marks = sorted(str(digest) for digest in entry.digests) or [f"mtime:{entry.mtime_ns}"]
            for mark in marks:
                _feed(hasher, mark.encode())
        return hasher.hexdigest()[:ROLL_ID_LENGTH]

    @cached_property
    def evidence_mark(self) -> bytes:
        """Which manifests and lists the roll has, of all that leave its id the same; 16 bytes."""
        return evidence_mark(self.files)


def evidence_mark(files: Iterable[FileEntry]) -> bytes:
    """Return 16 bytes of SHA-256 over paths, sizes and digests of the manifests among files.

    Times are left out, and so is the order of files.
    """
    hasher = hashlib.sha256()
    for entry in ordered(entry for entry in files if entry.kind is FileKind.EVIDENCE):
        _feed(hasher, entry.path.encode())
        _feed(hasher, str(entry.size_bytes).encode())
        for mark in sorted(str(digest) for digest in entry.digests):
            _feed(hasher, mark.encode())
    return hasher.digest()[:EVIDENCE_MARK_BYTES]


def ordered(files: Iterable[FileEntry]) -> tuple[FileEntry, ...]:
    """Return files in inventory order."""
    return tuple(sorted(files, key=lambda entry: entry.path.encode()))


def file_to_plain(entry: FileEntry) -> list[Any]:
    """Return entry as lists, strings, bytes and numbers, for msgpack and the journal."""
    digests = [[digest.algorithm.value, digest.value] for digest in entry.digests]
    return [entry.path, entry.size_bytes, entry.mtime_ns, digests, entry.kind.value]


def file_from_plain(plain: Any) -> FileEntry:
    """Read what file_to_plain wrote, from a stranger too. Raises ValueError if it is malformed."""
    match plain:
        case [str(path), int(size), int(mtime), list(digests), str(kind)]:
            return FileEntry(
                path, size, mtime, tuple(_digest_from_plain(d) for d in digests), FileKind(kind)
            )
    raise ValueError("a file entry is [path, size, mtime, digests, kind]")


def _digest_from_plain(plain: Any) -> Digest:
    match plain:
        case [str(algorithm), bytes(value)]:
            return Digest(Algorithm(algorithm), value)
    raise ValueError("a digest is [algorithm, bytes]")


def _feed(hasher: Any, field: bytes) -> None:
    """Length first, so that no two lists of fields give the same bytes."""
    hasher.update(len(field).to_bytes(4, "big"))
    hasher.update(field)


def media_by_path(inventory: Inventory) -> Mapping[str, FileEntry]:
    """Return the media files keyed by path."""
    return {entry.path: entry for entry in inventory.files if entry.kind is FileKind.MEDIA}


def media_amount(inventory: Inventory) -> tuple[int, int]:
    """Return how many media files there are, and the bytes in them."""
    sizes = [entry.size_bytes for entry in inventory.files if entry.kind is FileKind.MEDIA]
    return len(sizes), sum(sizes)


def may_be_same_media(one: Inventory, other: Inventory) -> bool:
    """Tell whether names, sizes and common digests of the media agree; reading may tell more."""
    media, others = media_by_path(one), media_by_path(other)
    if media.keys() != others.keys():
        return False
    for path, entry in media.items():
        if entry.size_bytes != others[path].size_bytes:
            return False
        for digest in entry.digests:
            if others[path].digest(digest.algorithm) not in (None, digest):
                return False
    return True
