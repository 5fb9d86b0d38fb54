"""Which part is the narrowest, what is warned of, and how long it takes."""

from dataclasses import replace

import pytest

from syncd.speed.findings import (
    Part,
    Stage,
    Surroundings,
    cable_limit,
    estimate,
    narrowest,
    warnings,
)
from syncd.wire.messages import CableFacts, DiskFacts

MB = 1e6
FAST = CableFacts(interface="enp1s0", kind="cable", mbit=10_000, can_mbit=10_000, mtu=1500)
AROUND = Surroundings(
    source="offload-1", storage="process-1", source_cable=FAST, storage_cable=FAST
)


def parts(**rates: float | None) -> list[Part]:
    """Return all parts of a hand-off, those that are named with another rate in MB/s."""
    usual = {
        "source": (Stage.SOURCE_READ, "offload-1", "2026-03-14_D12/A012", 900.0),
        "sending": (Stage.HASHING, "offload-1", "xxh128", 20_000.0),
        "cable": (Stage.CABLE, "", "sealed", 1100.0),
        "write": (Stage.STORAGE_WRITE, "process-1", "", 1500.0),
        "read": (Stage.READ_BACK, "process-1", "", 2000.0),
        "md5": (Stage.HASHING, "process-1", "md5", 5000.0),
        "xxh128": (Stage.HASHING, "process-1", "xxh128", 20_000.0),
    }
    found = []
    for name, (stage, box, what, rate) in usual.items():
        given = rates.get(name, rate)
        each = None if given is None else given * MB
        limit = cable_limit(AROUND) if stage is Stage.CABLE else None
        found.append(Part(stage=stage, box=box, what=what, rate=each, limit=limit))
    return found


def codes(found: list[Part], around: Surroundings = AROUND) -> list[str]:
    """Return what is warned of."""
    return [told.code for told in warnings(found, around)]


@pytest.mark.parametrize(
    ("changed", "stage", "widens"),
    [
        ({}, Stage.SOURCE_READ, "A faster disk for the landing"),
        ({"cable": 300.0}, Stage.CABLE, "[[clear]] spares the processors"),
        ({"write": 140.0}, Stage.STORAGE_WRITE, "more of them"),
        ({"read": 150.0}, Stage.READ_BACK, "more of them"),
        ({"md5": 640.0}, Stage.HASHING, "Evidence in xxh128 in place of md5: 31 times"),
    ],
)
def test_the_slowest_part_is_named_with_what_would_widen_it(
    changed: dict[str, float], stage: Stage, widens: str
) -> None:
    """One change at a time."""
    found = narrowest(parts(**changed), AROUND)

    assert found is not None
    assert found.part.stage is stage
    assert widens in found.remedy


def test_a_full_cable_is_told_from_one_that_carries_too_little() -> None:
    """117 of 117.69 MB/s need another cable, 60 do not."""
    slow = replace(FAST, mbit=1000, can_mbit=1000)
    around = replace(AROUND, source_cable=slow, storage_cable=slow)

    def remedy(rate: float) -> str:
        found = [
            replace(part, limit=cable_limit(around)) if part.stage is Stage.CABLE else part
            for part in parts(cable=rate)
        ]
        told = narrowest(found, around)
        assert told is not None
        return told.remedy

    assert cable_limit(around) == pytest.approx(117.69 * MB, rel=1e-4)
    assert "It is full. More than 1 Gb/s at both ends" in remedy(117.0)
    assert "Arithmetic allows 118 MB/s" in remedy(60.0)


def test_reading_back_and_hashing_count_together() -> None:
    """Each alone is faster than all others; in turns they are the slowest."""
    found = narrowest(parts(source=2000.0, cable=1100.0, read=1200.0, md5=1300.0), AROUND)

    assert found is not None
    assert found.part.stage is Stage.READ_BACK
    assert found.rate == pytest.approx(1 / (1 / 1200 + 1 / 1300 + 1 / 20_000) * MB)
    assert "take turns" in found.remedy


def test_an_estimate_goes_from_all_at_once_to_one_after_the_other() -> None:
    """512 GB at 500 MB/s; reading back at 1,000 MB/s comes on top of it at worst."""
    told = estimate(parts(source=500.0, read=1000.0, md5=1e12, xxh128=1e12), AROUND, 512 * 10**9)

    assert told is not None
    assert told.least_s == pytest.approx(1024.0)
    assert told.most_s == pytest.approx(1024.0 + 512.0, rel=1e-3)


@pytest.mark.parametrize("lacking", ["cable", "write", "read"])
def test_without_a_later_part_nothing_is_estimated(lacking: str) -> None:
    """The source alone may lack: it is told of what was measured."""
    amount = 10**12
    found = [part for part in parts(**{lacking: None}) if part.what not in {"md5", "xxh128"}]
    assert estimate(found, AROUND, amount) is None
    assert estimate(parts(source=None), AROUND, amount) is not None
    assert narrowest([], AROUND) is None


def test_all_is_well_where_nothing_is_wrong() -> None:
    """Nobody is warned for nothing."""
    assert codes(parts()) == []


def test_a_link_that_runs_slower_than_it_could_is_warned_of() -> None:
    """Both ends can 10 Gb/s: then it is the cable, or a switch; one alone can: its other end."""
    slow = replace(FAST, mbit=1000)
    both = replace(AROUND, source_cable=slow, storage_cable=slow)
    told = warnings(parts(cable=117.0), both)
    assert [each.code for each in told] == ["slow-link", "slow-link"]
    assert "enp1s0 on offload-1 runs at 1 Gb/s, and could at 10 Gb/s." in told[0].message
    assert "change the cable" in told[0].remedy

    small = replace(slow, can_mbit=1000)
    (one,) = warnings(parts(cable=117.0), replace(AROUND, source_cable=slow, storage_cable=small))
    assert "The other end cannot do more than 1 Gb/s" in one.remedy

    unknown = replace(slow, can_mbit=0)
    (one,) = warnings(parts(cable=117.0), replace(AROUND, source_cable=slow, storage_cable=unknown))
    assert one.remedy.startswith("See that cable")


@pytest.mark.parametrize(
    ("cable", "code"),
    [
        (replace(FAST, kind="wireless", mbit=0), "wireless"),
        (replace(FAST, half_duplex=True), "half-duplex"),
    ],
)
def test_other_mistakes_at_one_end_are_warned_of(cable: CableFacts, code: str) -> None:
    """Whichever end it is."""
    assert codes(parts(), replace(AROUND, source_cable=cable)) == [code]
    assert codes(parts(), replace(AROUND, storage_cable=cable)) == [code]


@pytest.mark.parametrize("mbit", [12, 480])
def test_a_disk_on_usb_2_is_warned_of(mbit: int) -> None:
    """480 Mb/s and less (Universal Serial Bus 2.0); 5 Gb/s is fine."""
    slow = replace(AROUND, source_disk=DiskFacts(usb_mbit=mbit))
    (told,) = warnings(parts(), slow)
    assert told.code == "usb-2"
    assert "The landing of offload-1 hangs on USB 2" in told.message
    assert codes(parts(), replace(AROUND, storage_disk=DiskFacts(usb_mbit=5000))) == []
    found = narrowest(parts(source=35.0), slow)
    assert found is not None
    assert "USB 3 port" in found.remedy


def test_a_storage_slower_than_the_cable_is_told() -> None:
    """Once, with the slower of writing and reading back."""
    (told,) = warnings(parts(write=150.0, read=140.0), AROUND)
    assert told.code == "storage-slower-than-cable"
    assert "reading back 140 MB/s, the cable 1,100 MB/s" in told.message


def test_a_rate_above_the_arithmetic_is_not_believed() -> None:
    """Bytes that were counted cannot all have been on that cable."""
    assert codes(parts(cable=1300.0, write=3000.0)) == ["faster-than-the-cable"]
    assert codes(parts(cable=1180.0, write=3000.0)) == [], "clocks, and TCP without timestamps"
