"""The honest box's rolls, which have to arrive whatever a hostile peer does."""

import hashlib
from pathlib import Path

from tests.boxes import Pair, place_roll

CLIPS = 3


def place(pair: Pair, folder: Path, name: str, size: int) -> dict[str, str]:
    """Let the offload box's landing have another roll; return its digests by path.

    size: bytes of each clip. folder: on the landing's disk, where the roll is made.
    """
    staged = folder / "staging" / name
    (staged / "Clips").mkdir(parents=True)
    lines = []
    for number in range(CLIPS):
        data = hashlib.shake_128(f"{name} {number}".encode()).digest(size)
        (staged / "Clips" / f"C{number:03}.mov").write_bytes(data)
        digest = hashlib.sha1(data, usedforsecurity=False).hexdigest()
        lines.append(f"{digest}  Clips/C{number:03}.mov\n")
    (staged / f"{name}.sha1").write_text("".join(lines))
    sent = files_below(staged)
    place_roll(staged, pair.landing, name)
    return sent


def files_below(folder: Path) -> dict[str, str]:
    """Return the digest of every regular file below folder, by path."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }
