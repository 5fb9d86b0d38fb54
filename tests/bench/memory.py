"""Resident memory and descriptors of both daemons over rolls of 1, 8 and 64 GiB, and many files.

The large rolls are on hollow disks (hollow.py), so no disk has to hold them; what that costs in
memory is told by two idle pairs, one with and one without. The 100,000 files are real ones.
"""

import sys
import time
from pathlib import Path

from tests.bench.gauges import Sample, Sampler, look
from tests.bench.staging import make_roll
from tests.bench.table import Table
from tests.bench.terabyte import hollow_pair, make_hollow_roll, sent_bytes
from tests.bench.workplace import workplace
from tests.boxes import Pair, place_roll

GIB = 1 << 30
MIB = 1 << 20
ROLLS_GIB, ROLLS_GIB_SMALL = (1.0, 8.0, 64.0), (0.25, 1.0)
CLIP_BYTES_MAX = 8 * GIB
MANY_FILES, SMALL_BYTES = 100_000, 1 << 10
GOAL_MIB = 150
LOOK_EVERY_S = 0.25
READY_S = 3600


def run(*, small: bool = False) -> Table:
    """Hand one roll after the other over, each by a pair of its own."""
    table = Table(
        "resident memory at most, and descriptors",
        (
            *("disks", "GiB", "files", "seconds", "offload MiB", "processing MiB", "goal MiB"),
            *("offload descriptors", "processing descriptors"),
        ),
    )
    sizes = ROLLS_GIB_SMALL if small else ROLLS_GIB
    files = MANY_FILES // (50 if small else 1)
    for disks, gib, count in (
        *(("real", 0.0, 0), ("hollow", 0.0, 0)),
        *(("hollow", gib, max(4, round(gib * GIB / CLIP_BYTES_MAX))) for gib in sizes),
        ("real", files * SMALL_BYTES / GIB, files),
    ):
        with workplace(Path.cwd()) as folder:
            _measure(table, folder, disks, gib, count)
        print(*table.rows[-1], file=sys.stderr)
    table.notes.append("a row with no files: a pair that was started, and has found each other")
    return table


def _measure(table: Table, folder: Path, disks: str, gib: float, files: int) -> None:
    """Hand one roll over and add what it took at most; without files, only start the pair."""
    pair = hollow_pair(folder / "pair") if disks == "hollow" else Pair(folder / "pair")
    _stage(folder / "staged", disks, gib, files)
    boxes = pair.offload, pair.processing
    with pair, Sampler(boxes, lambda: sent_bytes(pair), LOOK_EVERY_S) as looks:
        began_s = time.monotonic()
        if files:
            place_roll(folder / "staged", pair.landing, "A012")
            pair.wait_ready("A012", timeout_s=READY_S)
        took_s = time.monotonic() - began_s if files else 0.0
        time.sleep(1)  # at least one look
        mibs = [box.resident_bytes_max() / MIB for box in boxes]
        looks.samples.append(Sample(took_s, 0.0, tuple(look(box) for box in boxes)))
    descriptors = [max(s.gauges[box].descriptors for s in looks.samples) for box in (0, 1)]
    shown = round(gib, 3)
    table.add(disks, shown, files, round(took_s, 1), *map(round, mibs), GOAL_MIB, *descriptors)
    for box, mib in zip(boxes, mibs, strict=True):
        if mib > GOAL_MIB:
            what = f"{gib:.3g} GiB in {files:,} files"
            table.missed.append(f"{what}: {box.name} had {mib:.0f} MiB, of {GOAL_MIB}")


def _stage(folder: Path, disks: str, gib: float, files: int) -> None:
    if disks == "hollow" and files:
        clip_bytes = round(gib * GIB / files)
        make_hollow_roll(folder, {f"Clips/A012C{n:03}.mov": clip_bytes for n in range(files)})
    elif files:
        make_roll(folder, SMALL_BYTES, files)
