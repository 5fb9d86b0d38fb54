"""The rolls that the scenarios hand over, and the look at what became of them.

Owns: SHA-256 of every file as it was made, and comparing it with what is published.
Must not: use syncd's hashing; a fault there must not be able to hide itself.
"""

import hashlib
import os
from dataclasses import dataclass
from pathlib import Path

from syncd.limits import MIB
from tests.bench.staging import make_roll
from tests.boxes import DAY, place_roll
from tests.two_node.node import Node

CHAIN = "ascmhl/ascmhl_chain.xml"  # gains generations; its own tests are in standards/


@dataclass(frozen=True)
class Roll:
    """One roll as it was made: its name, and SHA-256 and size of each file by path."""

    name: str
    files: dict[str, str]
    total_bytes: int

    def differences(self, published: Path) -> list[str]:
        """Return how the published folder differs from what was made, [] if not at all."""
        found = _look(published)
        wrong = [
            f"{path}: {found.get(path, 'missing')}, not {digest}"
            for path, digest in self.files.items()
            if path != CHAIN and found.get(path) != digest
        ]
        more = set(found) - set(self.files)
        return wrong + [f"{path}: nobody made it" for path in more if not _is_evidence(path)]


def make(folder: Path, *, clips: int, clip_bytes: int = 16 * MIB) -> Roll:
    """Make a roll in a new folder, which has its name, and look at it."""
    make_roll(folder, clip_bytes, clips)
    total = sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
    return Roll(folder.name, _look(folder), total)


def place(node: Node, name: str, *, clips: int, clip_bytes: int = 16 * MIB) -> Roll:
    """Make a roll on the offload node's disk and let it appear on its landing at once."""
    staged = node.media / "staged" / name
    roll = make(staged, clips=clips, clip_bytes=clip_bytes)
    give_to((node.media / "landing").stat().st_uid, staged)
    place_roll(staged, node.media / "landing", name)
    return roll


def published(node: Node, roll: Roll) -> Path:
    """Return where a roll is published on the processing or the editorial node."""
    folder = "rolls" if (node.media / "rolls").exists() else "rushes"
    return node.media / folder / DAY / roll.name


def give_to(user: int, *folders: Path) -> None:
    """Let folders and all below them belong to user, where that is not so already."""
    for folder in folders:
        for path in (folder, *folder.rglob("*")):
            if path.stat().st_uid != user:
                os.chown(path, user, user)


def _look(folder: Path) -> dict[str, str]:
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): _sha256(path) for path in files}


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _is_evidence(path: str) -> bool:
    return path.startswith("ascmhl/") and path.endswith(".mhl")
