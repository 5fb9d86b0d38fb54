"""What a storage says of its own rolls: read back as written, and never believed when it is not."""

import msgpack
import pytest
import xxhash
from hypothesis import given, settings
from hypothesis import strategies as st

from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, FileKind, Inventory, Trust
from syncd.roll.parcels import ParcelPlan
from syncd.storage.records import (
    PublishedRecord,
    RecordError,
    RollRecord,
    parcel_entries,
    published_record,
    read_parcel_entries,
    read_published_record,
    read_roll_record,
    roll_record,
)

CLIP = FileEntry("Clips/A012C001.mov", 40_000_000, 17, (Digest(Algorithm.MD5, b"m" * 16),))
STILL = FileEntry("Stills/A012_00001.dpx", 0, 18)
LIST = FileEntry("A012.md5", 60, 19, (Digest(Algorithm.XXH128, b"x" * 16),), FileKind.EVIDENCE)
ROLL = Inventory("2026-03-14_D12", "A012", (LIST, CLIP, STILL), ("Audio",), Trust.SETTLED)
PLAN = ParcelPlan(ROLL)
PUBLISHED = PublishedRecord(ROLL, "offload-1", (LIST,), (b"", b"c" * 16, b"s" * 16), 1_773)


def digests_of(number: int, byte: int = 1) -> bytes:
    """Return digests as long as a parcel's are."""
    return bytes([byte]) * 16 * len(PLAN.pieces(number))


def test_what_was_written_is_read() -> None:
    """Both records give the same roll again."""
    unfinished = RollRecord(ROLL, "offload-1")
    assert read_roll_record(roll_record(unfinished), ROLL.roll_id) == unfinished
    assert read_published_record(published_record(PUBLISHED), ROLL.roll_id) == PUBLISHED


@given(st.data())
@settings(max_examples=300, derandomize=True, deadline=None)
def test_one_wrong_byte_or_a_cut_is_enough_to_be_no_record(data: st.DataObject) -> None:
    """Whatever is wrong, it is a RecordError, and nothing else."""
    good = published_record(PUBLISHED)
    place = data.draw(st.integers(0, len(good) - 1))
    bad = bytearray(good)
    bad[place] ^= data.draw(st.integers(1, 255))
    for damaged in (bytes(bad), good[:place]):
        with pytest.raises(RecordError):
            read_published_record(damaged, ROLL.roll_id)


def _forged(change: dict[str, object], drop: str = "") -> bytes:
    """Write a record of another content under a digest that is right."""
    _, _, body = published_record(PUBLISHED).partition(b"\n")
    plain = msgpack.unpackb(body) | change
    plain.pop(drop, None)
    body = msgpack.packb(plain)
    digest = xxhash.xxh3_128_hexdigest(body).encode()
    return b"syncd-record 1 published %d %s\n%s" % (len(body), digest, body)


@pytest.mark.parametrize(
    "change",
    [
        {"day": "../../etc"},
        {"name": "A/B"},
        {"name": ""},
        {"day": 7},
        {"files": [["../../x", 1, 1, [], "media"]]},
        {"files": "all"},
        {"files": [[]]},
        {"trust": "blind"},
        {"empty_folders": [7]},
        {"empty_folders": ["../out"]},
        {"evidence": [["../../../x", 1, 1, [], "evidence"]]},
        {"evidence": [[1]]},
        {"digests": []},
        {"digests": [b"", b"short", b""]},
        {"digests": [1, 2, 3]},
        {"published_utc_ms": "now"},
        {"published_utc_ms": -1},
        {"published_utc_ms": 1 << 53},
        {"published_utc_ms": 1 << 63},
        {"evidence": [["A012.md5", -1, 1, [], "evidence"]]},
        {"evidence": [["A012.md5", 1, 1 << 63, [], "evidence"]]},
        {"peer": None},
    ],
    ids=str,
)
def test_a_well_made_record_of_a_stranger_is_checked_like_an_offer(
    change: dict[str, object],
) -> None:
    """Names that lead elsewhere, files of another roll, what is of another kind: not believed."""
    with pytest.raises(RecordError):
        read_published_record(_forged(change), ROLL.roll_id)


def test_a_record_under_the_name_of_another_roll_is_not_believed() -> None:
    """Its files must give the id by which it is called."""
    with pytest.raises(RecordError, match="id"):
        read_roll_record(roll_record(RollRecord(ROLL, "offload-1")), "0" * 32)


@pytest.mark.parametrize("drop", ["peer", "files", "evidence", "day"])
def test_a_record_that_lacks_something_is_no_record(drop: str) -> None:
    """Nothing has a default."""
    with pytest.raises(RecordError):
        read_published_record(_forged({}, drop), ROLL.roll_id)


def test_the_last_entry_of_a_parcel_counts() -> None:
    """A parcel that was sent again has the digests of what lies there now."""
    data = parcel_entries({0: digests_of(0), 1: digests_of(1)}) + parcel_entries(
        {0: digests_of(0, 2)}
    )
    assert read_parcel_entries(data, PLAN) == {0: digests_of(0, 2), 1: digests_of(1)}


@given(st.integers(0, 400), st.binary(max_size=60))
@settings(derandomize=True, deadline=None)
def test_a_list_of_parcels_counts_up_to_where_it_is_torn(place: int, rubbish: bytes) -> None:
    """After a power loss its end may be anything; what is before that end stands."""
    numbers = range(PLAN.count)
    entries = [parcel_entries({number: digests_of(number)}) for number in numbers]
    whole = b"".join(entries)
    place = min(place, len(whole))
    found = read_parcel_entries(whole[:place] + rubbish, PLAN)
    ends = [sum(map(len, entries[: number + 1])) for number in numbers]
    assert [n for n in numbers if ends[n] <= place] == [
        n for n in sorted(found) if ends[n] <= place
    ]
    assert all(found[number] == digests_of(number) for number in found)


def test_entries_of_another_cut_are_left_out() -> None:
    """A number that the roll has not, or with another count of pieces, says nothing."""
    data = parcel_entries({PLAN.count: b"d" * 16, 0: b"d" * 160, 1: digests_of(1)})
    assert read_parcel_entries(data, PLAN) == {1: digests_of(1)}
