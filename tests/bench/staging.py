"""Rolls of random bytes with an ASC MHL history that covers them, made by nothing of syncd."""

import os
import subprocess
from pathlib import Path

import xxhash

from tests.bench.history import write_history


def make_roll(folder: Path, file_bytes: int, count: int) -> dict[str, tuple[int, str]]:
    """Make files of random bytes and, as the last thing, an ASC MHL history that covers them.

    Returns size and XXH64 of each, by path.
    """
    clips = folder / "Clips"
    clips.mkdir(parents=True)
    block = os.urandom(min(file_bytes, 64 << 20))
    digests = {}
    for number in range(count):
        path = clips / f"A012_{number:06}.mov"
        hasher = xxhash.xxh64()
        with path.open("wb") as file:
            written = 0
            while written < file_bytes:
                part = block[: file_bytes - written]
                tag = f"{number}:{written}".encode()
                for piece in (tag, part[len(tag) :]):
                    file.write(piece)
                    hasher.update(piece)
                written += len(part)
        digests[f"Clips/{path.name}"] = (file_bytes, hasher.hexdigest())
    write_history(folder, digests)
    subprocess.run(["sync", "-f", str(folder)], check=True)
    return digests


def write_list(path: Path, digests: dict[str, tuple[int, str]]) -> None:
    """Write a list that `xxhsum --check` reads."""
    path.write_text("".join(f"{digest}  {name}\n" for name, (_, digest) in digests.items()))
