"""Sealed and clear hand-off with read-back, against copying and checking by hand, in one run.

By hand: `cp -r`, `sync` of the copy's file system, `xxhsum` of both copies (XXH64), one after the
other, as a person would type it. Hand-off: from the manifest's appearance to the roll's `ready`.
"""

import shutil
import statistics
import subprocess
import tempfile
import time
from pathlib import Path

from tests.bench.staging import make_roll
from tests.bench.table import Table
from tests.boxes import DAY, Pair, place_roll

REPEATS = 3
CLIP_BYTES = 2 << 30
STILLS, STILL_BYTES = 20_000, 64 << 10


def run(*, small: bool = False) -> Table:
    """Measure both kinds of rolls, in memory and on disk."""
    table = Table(
        "hand-off against by hand",
        ("where", "lanes", "roll", "bytes", "by hand s", "hand-off s", "spread s", "ratio", "MB/s"),
    )
    scale = 8 if small else 1
    places = [("memory", "/dev/shm"), ("disk", str(Path.cwd()))]
    for where, root in places:
        with tempfile.TemporaryDirectory(prefix="syncd-bench-", dir=root) as folder:
            _measure(table, where, Path(folder), "2 GiB clip", (CLIP_BYTES // scale, 1))
            _measure(
                table, where, Path(folder), "2 GiB clip", (CLIP_BYTES // scale, 1), lanes="clear"
            )
            _measure(table, where, Path(folder), "20,000 x 64 KiB", (STILL_BYTES, STILLS // scale))
    table.notes.append(f"median of {REPEATS}; spread is largest minus smallest hand-off")
    table.notes.append("both daemons, xxhsum and the disk share this machine's cores")
    return table


def _measure(
    table: Table,
    where: str,
    folder: Path,
    kind: str,
    shape: tuple[int, int],
    *,
    lanes: str = "sealed",
) -> None:
    by_hand, handed = [], []
    for _ in range(REPEATS):
        staged = folder / "staged"
        make_roll(staged, *shape)
        by_hand.append(_by_hand(staged, folder / "copy"))
        handed.append(_hand_off(staged, folder, lanes))
    size = shape[0] * shape[1]
    hand_s, off_s = statistics.median(by_hand), statistics.median(handed)
    spread = max(handed) - min(handed)
    table.add(where, lanes, kind, size, hand_s, off_s, spread, off_s / hand_s, size / off_s / 1e6)


def _by_hand(staged: Path, copy: Path) -> float:
    """Copy, flush, hash both: the time a person's commands take."""
    _drop_cache()
    began = time.monotonic()
    subprocess.run(["cp", "-r", str(staged), str(copy)], check=True)
    subprocess.run(["sync", "-f", str(copy)], check=True)
    for folder in (staged, copy):
        listing = subprocess.run(
            f"find '{folder}' -type f -print0 | xargs -0 xxhsum -H1",
            shell=True,
            check=True,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # its progress
        )
        assert listing.stdout
    took = time.monotonic() - began
    shutil.rmtree(copy)
    return took


def _hand_off(staged: Path, folder: Path, lanes: str) -> float:
    """Let the roll appear on the landing of an idle pair and wait until it is ready."""
    pair = Pair(folder / "pair")
    if lanes == "clear":
        pair.configure_clear()
    with pair:
        time.sleep(1.5)  # connected and idle, as it would be on set
        _drop_cache()
        began = time.monotonic()
        place_roll(staged, pair.landing, "A012")
        pair.wait_ready("A012", timeout_s=600)
        took = time.monotonic() - began
        assert (pair.storage / DAY / "A012").is_dir()
    shutil.rmtree(folder / "pair")
    return took


def _drop_cache() -> None:
    """Start both from a cold cache, where that is allowed."""
    subprocess.run(["sync"], check=True)
    try:
        Path("/proc/sys/vm/drop_caches").write_text("1\n")
    except OSError:
        return
