"""A shaped link lets through what Ethernet would, and no more; the meter sees it."""

from pathlib import Path

import pytest

from syncd.speed.arithmetic import payload_rate
from tests.bench.cable_meter import TALK_BYTES, Look, travelled_s
from tests.bench.handing import CLEAR, SEALED
from tests.bench.links import PLAIN, fill, plain
from tests.bench.staging import make_roll
from tests.bench.table import Table
from tests.two_node.namespaces import why_not
from tests.two_node.network import BURST_BYTES

COLUMNS = ("Gb/s", "way", "MB/s", "limit MB/s", "% of it", "range", "x", "range of that")
MB = 1_000_000


def test_no_more_passes_a_shaped_link_than_ethernet_leaves_for_payload(tmp_path: Path) -> None:
    """At 1 Gb/s 117.69 MB/s, by IEEE 802.3 and RFC 9293; a busy machine may be slower."""
    if why := why_not():
        pytest.skip(f"no network namespaces: {why}")
    size = 60 * MB
    make_roll(tmp_path / "staged", size, 1)

    took_s = plain(tmp_path / "staged", tmp_path, 1000)[PLAIN]

    assert (size - BURST_BYTES - TALK_BYTES * 2) / took_s <= 117.69 * MB * 1.002
    assert size / took_s >= 10 * MB
    assert sorted(path.name for path in tmp_path.iterdir()) == ["staged"]


def test_travelling_counts_from_the_first_bytes_to_the_last() -> None:
    """What is said before and after a roll is left out; a pause within is not."""
    talk = TALK_BYTES // 2
    looks = [
        *(Look(0.0, 7), Look(1.0, 7 + talk), Look(1.5, 50 * MB), Look(4.0, 50 * MB)),
        *(Look(4.5, 100 * MB), Look(9.0, 100 * MB + talk)),
    ]

    assert travelled_s(looks) == 3.5
    with pytest.raises(AssertionError, match="nothing travelled"):
        travelled_s(looks[:2])


@pytest.mark.parametrize(
    ("way", "share", "said"),
    [
        (SEALED, 0.98, ""),
        (SEALED, 0.96, "1 Gb/s: sealed: 96.0 % of the payload limit, wanted at least 97 %"),
        (CLEAR, 1.02, "1 Gb/s: clear: 102.0 % of what can pass; the shaping failed"),
        (PLAIN, 0.5, ""),
    ],
)
def test_too_slow_is_a_missed_goal_and_too_fast_a_broken_link(
    way: str, share: float, said: str
) -> None:
    """Plain sockets have no goal: they show what there is to be had."""
    table = Table("links", COLUMNS)
    size = 10**9
    at_limit_s = size / payload_rate(1000, 1500)

    fill(table, 1000, size, {PLAIN: [at_limit_s / 0.99], way: [at_limit_s / share]})

    assert [text for text in table.missed if text.startswith(said)] == table.missed
    assert bool(table.missed) == bool(said)
