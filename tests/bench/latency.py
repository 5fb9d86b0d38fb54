"""From a manifest's landing to the first byte on the wire, with 100,000 files under watch."""

import shutil
import statistics
import tempfile
import time
from pathlib import Path

from tests.bench.staging import make_roll
from tests.bench.table import Table
from tests.boxes import DAY, Pair, wait_until

REPEATS = 5
ROLLS, FILES_PER_ROLL = 50, 2_000


def run(*, small: bool = False) -> Table:
    """Hand over a small roll several times while many files lie on the landing."""
    table = Table("manifest to first byte", ("files watched", "median s", "worst s", "goal s"))
    rolls = ROLLS // (8 if small else 1)
    with tempfile.TemporaryDirectory(prefix="syncd-bench-", dir="/dev/shm") as folder:
        pair = Pair(Path(folder) / "pair")
        for number in range(rolls):
            _old_roll(pair.landing / "2026-03-13_D11" / f"B{number:03}")
        with pair:
            time.sleep(8)  # every folder looked at, and idle
            times = [_one(pair, Path(folder), number) for number in range(REPEATS)]
        table.add(rolls * FILES_PER_ROLL, statistics.median(times), max(times), 1)
    table.notes.append("the manifest is an ASC MHL history; a plain list has to be still for 5 s")
    return table


def _old_roll(folder: Path) -> None:
    """A roll that waits for its evidence: watched, and not moved."""
    folder.mkdir(parents=True)
    for number in range(FILES_PER_ROLL):
        (folder / f"{number:05}.dpx").write_bytes(b"x")


def _one(pair: Pair, folder: Path, number: int) -> float:
    staged = folder / f"staged{number}"
    make_roll(staged, 4 << 20, 4)
    target = pair.landing / DAY / f"A{number:03}"
    target.parent.mkdir(parents=True, exist_ok=True)
    shutil.copytree(staged / "Clips", target / "Clips")
    time.sleep(3)  # the files are there, and have been for a while; only the manifest is missing
    sent = pair.offload.metric("syncd_payload_bytes_total")
    shutil.move(str(staged / "ascmhl"), str(target / "ascmhl"))
    began = time.monotonic()
    wait_until(
        lambda: pair.offload.metric("syncd_payload_bytes_total") > sent,
        30,
        "no byte was sent",
        every_s=0.005,
    )
    return time.monotonic() - began
