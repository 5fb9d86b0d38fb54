"""What the demo itself knows of the files it made: the measure for the independent check.

Owns: digests of its own (hashlib, xxhash), taken when a file was made, and their form as JSON.
Must not: use the daemon's hashing; a fault there must not be able to hide itself.
"""

import hashlib
import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import xxhash

_READ_BYTES = 1 << 20

HASHERS: dict[str, Callable[[], Any]] = {
    "md5": lambda: hashlib.md5(usedforsecurity=False),
    "sha256": hashlib.sha256,
    "xxh64": xxhash.xxh64,
    "xxh128": xxhash.xxh128,
}


@dataclass(frozen=True, slots=True)
class Truth:
    """One file as it was made.

    digests: by algorithm, as hex; always with sha256, which no evidence in the demo uses.
    """

    size_bytes: int
    digests: dict[str, str]

    @property
    def sha256(self) -> str:
        """The digest that the independent check compares."""
        return self.digests["sha256"]


@dataclass(frozen=True, slots=True)
class MadeRoll:
    """One roll that the demo made.

    folder: where it lies now. media, evidence: by path within the roll.
    what: one line for people, with real numbers.
    """

    day: str
    name: str
    folder: Path
    media: dict[str, Truth]
    evidence: dict[str, Truth]
    what: str

    @property
    def total_bytes(self) -> int:
        """Bytes of all its files."""
        files = (*self.media.values(), *self.evidence.values())
        return sum(truth.size_bytes for truth in files)


def look(path: Path, algorithms: Iterable[str] = ()) -> Truth:
    """Read a file once and take its SHA-256 and the digests named."""
    hashers = {name: HASHERS[name]() for name in ("sha256", *algorithms)}
    size_bytes = 0
    with path.open("rb") as file:
        while data := file.read(_READ_BYTES):
            size_bytes += len(data)
            for hasher in hashers.values():
                hasher.update(data)
    return Truth(size_bytes, {name: hasher.hexdigest() for name, hasher in hashers.items()})


def write_truth(path: Path, places: Iterable[tuple[Path, MadeRoll]]) -> None:
    """Write down which folder must hold which roll, for independent.py."""
    path.write_text(
        json.dumps(
            [
                {
                    "folder": str(folder),
                    "media": _plain(roll.media),
                    "evidence": _plain(roll.evidence),
                }
                for folder, roll in places
            ]
        )
    )


def _plain(files: dict[str, Truth]) -> dict[str, list[Any]]:
    return {path: [truth.size_bytes, truth.sha256] for path, truth in files.items()}
