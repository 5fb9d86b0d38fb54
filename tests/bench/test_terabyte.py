"""The long run in small: what it would find, it finds here, too."""

from pathlib import Path

import pytest

from tests.bench.gauges import Gauge, Sample, growth, not_flat
from tests.bench.terabyte import hollow_pair, make_hollow_roll, measure
from tests.boxes import place_roll, wait_until

CLIP = "A001C001.mov"
CLIP_BYTES = 40_000_000
WRONG_AT = 20_000_000  # in the second of its parcels


def test_two_gigabytes_pass_and_everything_stays_flat() -> None:
    """Memory, descriptors and threads of both daemons are at the end what they were at first."""
    table = measure(2 * 10**9, rolls=12)

    assert table.missed == []
    assert sum(row[0] for row in table.rows[-1:]) == 2, "all of it travelled"


@pytest.mark.parametrize("times", ["once", "always"])
def test_a_wrong_bit_of_the_storage_that_keeps_nothing_is_found(tmp_path: Path, times: str) -> None:
    """The long run proves something only because it would not pass with one bit wrong."""
    options = ["--flip", f"{CLIP}:{WRONG_AT}", *(["--flip-always"] if times == "always" else [])]
    make_hollow_roll(tmp_path / "staged", {f"Clips/{CLIP}": CLIP_BYTES})
    with hollow_pair(tmp_path / "pair", *options) as pair:
        place_roll(tmp_path / "staged", pair.landing, "A001")
        if times == "once":
            pair.wait_ready("A001")
        else:
            wait_until(lambda: pair.processing.rolls().get("A001", {}).get("held"), 60, "not held")
        roll = pair.processing.api("rolls/A001")

    notes = " ".join(str(line["note"]) for line in roll["history"])
    assert f"Clips/{CLIP}: bytes 16777216 to 33554432" in notes
    assert (roll["held"] or {"code": None})["code"] == (
        None if times == "once" else "read-back-mismatch"
    )


def samples(resident_mib: list[float], descriptors: list[int]) -> list[Sample]:
    """Make looks at one daemon at even distances."""
    pairs = zip(resident_mib, descriptors, strict=True)
    return [
        Sample(float(place), float(place), (Gauge(mib, count, 8, 1.0),))
        for place, (mib, count) in enumerate(pairs, start=1)
    ]


def test_growth_is_called_growth() -> None:
    """What creeps up by more than the margin is named; what only goes up and down is not."""
    level = samples([70, 78, 71, 77, 70, 78], [30, 34, 30, 33, 30, 34])
    creeping = samples([70, 72, 75, 78, 80, 82], [30, 30, 32, 34, 38, 40])

    assert not_flat("offload", growth(level, 0)) == []
    assert not_flat("offload", growth(creeping, 0)) == [
        "offload: resident MiB grew from 72 in the first third to 82 in the last",
        "offload: descriptors grew from 30 in the first third to 40 in the last",
    ]
