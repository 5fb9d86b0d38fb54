"""Payload through links shaped to 1 and 2.5 Gb/s, against what Ethernet and TCP leave for it.

The link is the cable between two network namespaces. Its rate is made by tbf, which counts 14 of
the 38 octets that Ethernet has around each packet (address and type; not preamble, check sequence
and gap), so it is told a rate that is smaller in that proportion. What travels is timed by the
kernel's counter at the far end of the cable, from the first octets to the last ones, for the
hand-off and for two plain sockets (raw_limit.py) in the same way. Everything lies in memory.
"""

import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from functools import partial
from pathlib import Path

from syncd.speed.arithmetic import payload_rate
from tests.bench.cable_meter import CableMeter
from tests.bench.handing import CLEAR, NAME, READY_S, SEALED, wait_idle
from tests.bench.opponents import raw_limit
from tests.bench.staging import make_roll
from tests.bench.table import Table
from tests.bench.versus import Times, in_turns, ratio, spread
from tests.bench.ways import NET, SpaceWay
from tests.bench.workplace import MEMORY, check_room, workplace
from tests.boxes import place_roll, wait_until
from tests.two_node.namespaces import why_not
from tests.two_node.network import BURST_BYTES

ROUNDS = 3
LINKS_MBIT = (1000, 2500)
TRAVEL_S = 15.0  # as long as a roll travels at the limit
MTU_BYTES = 1500
TBF_OF_WIRE = (MTU_BYTES + 14) / (MTU_BYTES + 38)  # IEEE 802.3, clause 3
SHARE_MIN = 0.97
SHARE_MAX = 1.002  # more cannot pass; the meter looks every 5 ms
PLAIN = "plain sockets"


def run(*, small: bool = False) -> Table:
    """Measure both links; needs root for the namespaces."""
    if why := why_not():
        raise SystemExit(f"links needs network namespaces: {why}")
    rounds, travel_s = (1, 1.5) if small else (ROUNDS, TRAVEL_S)
    table = Table(
        "payload through shaped links",
        ("Gb/s", "way", "MB/s", "limit MB/s", "% of it", "range", f"x {PLAIN}", "range of that"),
    )
    for link_mbit in LINKS_MBIT:
        size = round(payload_rate(link_mbit, MTU_BYTES) * travel_s)
        check_room(MEMORY, 2 * size)
        with workplace(MEMORY) as folder:
            times = measure(folder, link_mbit, size, rounds)
        fill(table, link_mbit, size, times)
    table.notes.append(f"median of {rounds} rounds, all ways in each; range: least and most")
    table.notes.append("x: the rate of plain sockets through the same link is 1")
    return table


def measure(folder: Path, link_mbit: int, size_bytes: int, rounds: int) -> Times:
    """Return for how many seconds the bytes of one roll travelled, by way, round by round."""
    staged = folder / "staged"
    make_roll(staged, size_bytes, 1)
    return in_turns(
        [
            partial(plain, staged, folder, link_mbit),
            partial(handed, staged, folder, link_mbit, SEALED),
            partial(handed, staged, folder, link_mbit, CLEAR),
        ],
        rounds,
    )


def plain(staged: Path, folder: Path, link_mbit: int) -> Mapping[str, float]:
    """Send the clip by plain sockets."""
    (clip,) = (staged / "Clips").iterdir()
    with shaped(folder / "spaces", link_mbit) as way:
        near, far = (box.inside() for box in (way.near, way.far))
        with CableMeter(way.far.space) as meter:
            raw_limit(clip, folder / "raw", near=near, far=far, host=way.far.address)
    return {PLAIN: meter.travelled_s()}


def handed(staged: Path, folder: Path, link_mbit: int, lanes: str) -> Mapping[str, float]:
    """Have a pair of real daemons hand it over; put it back."""
    with shaped(folder / "spaces", link_mbit) as way:
        pair = way.pair
        if lanes == CLEAR:
            pair.configure_clear(f"{NET}.0/24")
        with pair:
            wait_idle(pair)
            with CableMeter(way.far.space) as meter:
                placed = place_roll(staged, pair.landing, NAME)
                wait_until(
                    lambda: pair.offload.rolls().get(NAME, {}).get("stage") == "ready",
                    READY_S,
                    "not ready",
                    every_s=0.5,
                    state=pair.offload.rolls,
                )
        os.rename(placed, staged)
    return {lanes: meter.travelled_s()}


@contextmanager
def shaped(folder: Path, link_mbit: int) -> Iterator[SpaceWay]:
    """Give two boxes with a cable of that rate; nothing of them is left afterwards."""
    with closing(SpaceWay(folder)) as way:
        way.set_rate(link_mbit * 1e6 / 8 * TBF_OF_WIRE)
        yield way
    shutil.rmtree(folder)


def fill(table: Table, link_mbit: int, size_bytes: int, times: Times) -> None:
    """Add a row for each way, and say what was missed."""
    limit = payload_rate(link_mbit, MTU_BYTES)
    for way, values in times.items():
        rates = spread([size_bytes / seconds for seconds in values])
        shares = spread([rate / limit for rate in (rates.median, rates.least, rates.most)])
        of_plain = ratio(times, PLAIN, way)
        percent = [round(100 * share, 1) for share in (shares.median, shares.least, shares.most)]
        table.add(
            *(link_mbit / 1000, way, round(rates.median / 1e6, 1), round(limit / 1e6, 1)),
            *(percent[0], f"{percent[1]}-{percent[2]}", of_plain.median, of_plain.range),
        )
        name = f"{link_mbit / 1000:g} Gb/s: {way}"
        burst = BURST_BYTES / size_bytes
        if shares.most > SHARE_MAX + burst:
            table.missed.append(f"{name}: {percent[2]} % of what can pass; the shaping failed")
        if way != PLAIN and shares.median < SHARE_MIN:
            table.missed.append(
                f"{name}: {percent[0]} % of the payload limit, wanted at least "
                f"{100 * SHARE_MIN:g} %; {of_plain.median:.3f} x {PLAIN}"
            )
