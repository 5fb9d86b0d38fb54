"""What an inventory of 10, 10,000 and 300,000 files costs: to load, to pack, to send, to take in.

A real processing daemon takes them. The other end is a process of its own (offering.py), which does
with syncd's own functions what the offload box does before the first parcel: an offer, the pages
that it is asked for, and the offer again. No parcel is sent.
"""

import json
import statistics
import subprocess
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path

import xxhash

from syncd.journal import rolls
from syncd.journal.journal import Journal
from syncd.journal.opening import NAME
from syncd.journal.rolls import Origin
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.stages import Stage
from tests.bench.gauges import look
from tests.bench.offering import STEPS
from tests.bench.table import Table
from tests.bench.usage import spread
from tests.bench.workplace import workplace
from tests.boxes import DAY, Box, Pair

FILES, FILES_SMALL = (10, 10_000, 300_000), (10, 10_000)
REPEATS = 3
FILE_BYTES, FILES_PER_FOLDER = 1_000, 1_000
OFFER_S = 600
MIB = 1 << 20
AT_MS = 1_700_000_000_000


def run(*, small: bool = False) -> Table:
    """Offer rolls with ever more files, each to a daemon that was just started."""
    table = Table(
        "inventories",
        (
            *("files", "messages MiB", "step", "median s", "least", "worst"),
            *("offering MiB", "taking MiB"),
        ),
    )
    for count in FILES_SMALL if small else FILES:
        found = []
        for number in range(1 if small else REPEATS):
            with workplace(Path.cwd()) as folder:
                found.append(measure(folder, count, number))
        _fill(table, count, found)
    table.notes.append("greeting: the slowest answer meanwhile; above 2 s it counts as missed")
    table.notes.append("MiB: the most so far that a process had beyond what it had before; median")
    return table


def measure(folder: Path, count: int, number: int) -> dict[str, float]:
    """Offer one roll; return seconds by step, and MiB that both processes took."""
    pair = Pair(folder / "pair")
    pair.configure()
    journal = _journal(pair.offload, inventory_of(count, number))
    pair.processing.start()
    try:
        before_mib = look(pair.processing).resident_mib
        said = subprocess.run(
            [
                *(sys.executable, "-m", "tests.bench.offering", str(journal)),
                *(str(pair.offload.folder / "state"), pair.offload.name),
                *(pair.processing.name, pair.processing.fingerprint, str(pair.processing.control)),
            ],
            stdout=subprocess.PIPE,
            timeout=OFFER_S,
            check=True,
        ).stdout
        taken = pair.processing.api("rolls")["rolls"]
        assert [roll["files"] for roll in taken] == [count], "it was taken in as it was offered"
        most_mib = pair.processing.resident_bytes_max() / MIB
    finally:
        pair.__exit__()
    found: dict[str, float] = json.loads(said)
    return found | {"taker_mib": most_mib - before_mib}


def inventory_of(count: int, number: int) -> Inventory:
    """Return a roll of stills with one digest each; number: another roll with other content."""
    files = []
    for place in range(count):
        digest = Digest(Algorithm.XXH64, xxhash.xxh64_digest(f"{number} {place}".encode()))
        path = f"Stills/{place // FILES_PER_FOLDER:03}/A012_{place:06}.dpx"
        files.append(FileEntry(path, FILE_BYTES, AT_MS * 1_000_000 + place, (digest,)))
    return Inventory(DAY, f"A{number:03}", tuple(files))


def _journal(box: Box, inventory: Inventory) -> Path:
    """Write the journal of an offload box that has verified a roll; return where it lies."""
    path = box.folder / "state" / NAME
    with Journal(path, box=box.fingerprint) as journal, journal.write() as db:
        source = f"/landing/{DAY}/{inventory.name}"
        rolls.add_roll(
            db,
            inventory,
            origin=Origin.LANDING,
            peer=None,
            stage=Stage.VERIFIED,
            source_path=source,
            now_utc_ms=AT_MS,
        )
    return path


def _fill(table: Table, count: int, found: Sequence[Mapping[str, float]]) -> None:
    """Add a row for each step."""
    messages_mib = round(found[0]["message_bytes"] / MIB, 2)
    for step in (*STEPS, "greeting"):
        middle, least, worst = spread([one[step] for one in found])
        mib = {"offering": [one[f"{step} mib"] for one in found if step in STEPS]}
        mib["taking"] = [one["taker_mib"] for one in found if step == STEPS[-1]]
        shown = [round(statistics.median(each), 1) if each else "" for each in mib.values()]
        table.add(count, messages_mib, step, middle, least, worst, *shown)
        print(*table.rows[-1], file=sys.stderr)
