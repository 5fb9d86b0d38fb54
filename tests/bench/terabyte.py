"""1 TB of generated rolls through a pair of real daemons: memory and descriptors stay flat.

The footage is generated when read and compared when written (hollow.py), so no disk holds it; all
else is real: processes, sockets, lanes, seals, hashes, evidence, journals. Rolls of many stills and
of clips take turns. Flat: the maximum over the last third of the bytes is not above that over the
first third by more than gauges.MARGIN.
"""

import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.bench.gauges import Sample, Sampler, growth, look, not_flat
from tests.bench.history import write_history
from tests.bench.hollow import good_bytes_of
from tests.bench.pattern import Pattern
from tests.bench.table import Table
from tests.boxes import DAY, Pair, place_roll, wait_until

TOTAL_BYTES = 10**12
ROLLS = 20
STILL_BYTES = 12_500_000
STRETCHES = 10
ON_OFFER_MAX = 2  # rolls on the landing that are not ready yet: one moves while the next is made
ROLL_TIMEOUT_S = 3600


def run(*, small: bool = False) -> Table:
    """Hand over 1 TB, or 20 GB."""
    return measure(TOTAL_BYTES // (50 if small else 1), ROLLS)


def measure(total_bytes: int, rolls: int) -> Table:
    """Hand over total_bytes in so many rolls."""
    table = Table(
        f"{total_bytes / 1e9:.0f} GB in {rolls} rolls through a pair",
        (
            *("GB", "seconds", "MB/s", "offload MiB", "processing MiB", "descriptors", "threads"),
            *("journals MiB",),
        ),
    )
    with tempfile.TemporaryDirectory(prefix="syncd-bench-", dir=Path.cwd()) as folder:
        with hollow_pair(Path(folder) / "pair") as pair:
            # Half a second of a small run is more of it than half a second of a large one.
            every_s = min(1.0, total_bytes / 50e9)
            boxes = (pair.offload, pair.processing)
            with Sampler(boxes, lambda: sent_bytes(pair), every_s) as looks:
                _hand_over(pair, Path(folder), total_bytes // rolls, rolls)
        _fill(table, looks.samples, total_bytes)
        log = (pair.processing.folder / "log").read_text()
        good = sum(good_bytes_of(log, f"{DAY}/{_name(n)}") or 0 for n in range(rolls))
        table.notes.append(f"{good} bytes were published as they had been generated")
        if good != (made := total_bytes // rolls * rolls):
            table.missed.append(f"{made} bytes were generated, and {good} published as they were")
    return table


def hollow_pair(folder: Path, *storage_options: str) -> Pair:
    """Make a pair that runs on hollow disks; storage_options: of hollow.py."""
    pair = Pair(folder)
    pair.offload.command = ("-m", "tests.bench.hollow", "source")
    pair.processing.command = ("-m", "tests.bench.hollow", *storage_options, "storage")
    return pair


def sent_bytes(pair: Pair) -> float:
    """Return the bytes of files that left the offload box."""
    return pair.offload.metric("syncd_payload_bytes_total")


def _hand_over(pair: Pair, folder: Path, roll_bytes: int, rolls: int) -> None:
    """Let one roll after another appear, never many at once, and wait until all are ready."""
    for number in range(rolls):
        name = _name(number)
        staged = folder / f"staged-{number}"
        make_hollow_roll(staged, dict(shape_of(number, roll_bytes)))
        wait_until(
            lambda placed=number: placed - _ready(pair) < ON_OFFER_MAX,
            ROLL_TIMEOUT_S,
            "the rolls before are not ready",
            every_s=0.5,
            state=pair.offload.rolls,
        )
        place_roll(staged, pair.landing, name)
        looked = " + ".join(
            f"{gauge.resident_mib:.0f} MiB, {gauge.descriptors} descriptors"
            for gauge in (look(pair.offload), look(pair.processing))
        )
        gb = sent_bytes(pair) / 1e9
        print(f"{name} of {rolls} placed, {gb:.0f} GB: {looked}", file=sys.stderr)
    pair.wait_ready(*map(_name, range(rolls)), timeout_s=ROLL_TIMEOUT_S)


def _name(number: int) -> str:
    return f"A{number:03}"


def _ready(pair: Pair) -> int:
    known = pair.offload.rolls().values()
    held = [roll for roll in known if roll["held"] is not None]
    assert not held, f"held: {held}"
    return sum(roll["stage"] == "ready" for roll in known)


def shape_of(number: int, roll_bytes: int) -> Iterator[tuple[str, int]]:
    """Yield path and size of a roll's files: ten clips, stills, ten clips, one long clip."""
    kind = number % 4
    if kind == 1:
        count, size = max(1, roll_bytes // STILL_BYTES), STILL_BYTES
        name = "Stills/A{:03}_{:06}.dpx"
    else:
        count = 1 if kind == 3 else 10
        size, name = roll_bytes // count, "Clips/A{:03}C{:03}.mov"
    left = roll_bytes
    for index in range(count):
        size = left if index == count - 1 else size
        yield name.format(number, index), size
        left -= size


def make_hollow_roll(folder: Path, files: dict[str, int]) -> None:
    """Make sparse files and an ASC MHL history of what they will be read as."""
    digests = {}
    for path, size in files.items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        with (folder / path).open("wb") as file:
            os.ftruncate(file.fileno(), size)
        digests[path] = (size, Pattern(path.rpartition("/")[2]).xxh64(size))
    write_history(folder, digests)


def _fill(table: Table, samples: list[Sample], total_bytes: int) -> None:
    """Add a row for each tenth, with the maxima within it, and the verdict."""
    before = Sample(0.0, 0.0, ())
    for stretch in range(1, STRETCHES + 1):
        end = total_bytes * stretch / STRETCHES
        within = [s for s in samples if before.done < s.done <= end or s is samples[-1]]
        last = within[-2] if stretch < STRETCHES and len(within) > 1 else within[-1]
        gauges = [g for s in within for g in [s.gauges] if s.done <= last.done]
        took_s = last.at_s - before.at_s
        table.add(
            round(last.done / 1e9),
            round(last.at_s),
            round((last.done - before.done) / took_s / 1e6),
            *(round(max(g[box].resident_mib for g in gauges), 1) for box in (0, 1)),
            " + ".join(str(max(g[box].descriptors for g in gauges)) for box in (0, 1)),
            " + ".join(str(max(g[box].threads for g in gauges)) for box in (0, 1)),
            " + ".join(f"{gauges[-1][box].journal_mib:.1f}" for box in (0, 1)),
        )
        before = last
    for box, name in enumerate(("offload", "processing")):
        grown = growth(samples, box)
        table.notes += [
            f"{name}: {what} at most {first:.0f} in the first third, {last:.0f} in the last"
            for what, (first, last) in grown.items()
        ]
        table.missed += not_flat(name, grown)
    rate = total_bytes / samples[-1].at_s / 1e6
    table.notes.append(
        f"{rate:.0f} MB/s overall; both daemons and the generator share this machine"
    )
