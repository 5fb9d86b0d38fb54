"""Resident memory of both daemons while 64 GiB of sparse clips pass, and 100,000 small files.

The clips are sparse files on the landing (they read as zeros), but zeros travel as data. On the
storage they would fill a small disk, so the size is cut to what fits, and the table says so.
"""

import os
import shutil
import tempfile
import time
from pathlib import Path

import xxhash

from tests.bench.history import write_history
from tests.bench.staging import make_roll
from tests.bench.table import Table
from tests.boxes import Pair, place_roll

TOTAL_BYTES = 64 << 30
CLIP_BYTES = 8 << 30
SPARE_BYTES = 1 << 30
MANY_FILES, SMALL_BYTES = 100_000, 1 << 10


def run(*, small: bool = False) -> Table:
    """Hand over as much as is asked for and fits."""
    table = Table(
        "resident memory",
        ("GiB", "files", "seconds", "offload MiB", "processing MiB", "goal MiB"),
    )
    with tempfile.TemporaryDirectory(prefix="syncd-bench-", dir=Path.cwd()) as folder:
        free = shutil.disk_usage(folder).free - SPARE_BYTES
        total = min(TOTAL_BYTES // (8 if small else 1), free)
        count = max(1, total // CLIP_BYTES)
        clip_bytes = min(CLIP_BYTES, total)
        digest = _digest_of_zeros(clip_bytes)
        staged = Path(folder) / "staged"
        (staged / "Clips").mkdir(parents=True)
        digests = {}
        for number in range(count):
            path = f"Clips/A012C{number:03}.mov"
            with (staged / path).open("wb") as file:
                os.ftruncate(file.fileno(), clip_bytes)
            digests[path] = (clip_bytes, digest)
        write_history(staged, digests)
        _hand_over(table, Path(folder), count * clip_bytes, count)
        if count * clip_bytes < TOTAL_BYTES:
            table.notes.append("less than 64 GiB: that is what the disk had room for")
    files = MANY_FILES // (10 if small else 1)
    with tempfile.TemporaryDirectory(prefix="syncd-bench-", dir=Path.cwd()) as folder:
        make_roll(Path(folder) / "staged", SMALL_BYTES, files)
        _hand_over(table, Path(folder), SMALL_BYTES * files, files)
    return table


def _hand_over(table: Table, folder: Path, total_bytes: int, files: int) -> None:
    """Hand what is staged over and add what it took."""
    with Pair(folder / "pair") as pair:
        began = time.monotonic()
        place_roll(folder / "staged", pair.landing, "A012")
        pair.wait_ready("A012", timeout_s=3600)
        table.add(
            total_bytes / (1 << 30),
            files,
            time.monotonic() - began,
            pair.offload.resident_bytes_max() / (1 << 20),
            pair.processing.resident_bytes_max() / (1 << 20),
            150,
        )


def _digest_of_zeros(count: int) -> str:
    hasher = xxhash.xxh64()
    block = bytes(16 << 20)
    for _ in range(count // len(block)):
        hasher.update(block)
    hasher.update(bytes(count % len(block)))
    return hasher.hexdigest()
