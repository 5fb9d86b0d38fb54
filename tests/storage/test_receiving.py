"""Parcels coming in: what is confirmed is durable, and no late writer touches it again."""

import errno
import random
import threading
import weakref
from contextlib import suppress
from pathlib import Path

import pytest

from syncd.edges.disk import RealDisk
from syncd.errors import HeldError, LinkLostError
from syncd.journal import parcels, rolls
from syncd.limits import MIB
from syncd.roll.stages import HeldCode, Stage
from syncd.storage.intake import ReceivingRolls
from syncd.storage.layout import stored_path
from syncd.storage.receiving import ReceivingRoll
from tests.storage.rig import STORAGE, Rig, StillClock, carry, footage, write_parcel

PAPERS_BYTES = MIB  # lists and records, which no parcel announces


def _on_storage(rig: Rig) -> dict[str, bytes]:
    found: dict[str, bytes] = rig.disk.files_below(STORAGE)
    return found


def _assert_all_there(rig: Rig) -> None:
    found = _on_storage(rig)
    for entry in rig.inventory.files:
        assert found.get(stored_path(rig.roll_id, entry)) == rig.files[entry.path], entry.path


@pytest.mark.parametrize(
    "shape", [{"small": 4}, {"small": 12}, {"small": 2, "big_bytes": 17 * MIB}]
)
@pytest.mark.parametrize("seed", range(4))
def test_what_commit_returned_for_survives_a_power_loss(shape: dict[str, int], seed: int) -> None:
    """Few files or many, small or cut: every byte and every name is there afterwards."""
    rig = Rig(footage(**shape))
    receiving, roll = rig.receiving()
    carry(receiving, rig.reader(), range(rig.plan.count))
    assert roll.is_all_durable

    rig.disk.crash(random.Random(seed))

    _assert_all_there(rig)
    _, again = rig.receiving()
    assert rig.lacking(again.lacking()) == []


def test_nothing_is_journalled_before_commit() -> None:
    """A finished parcel is still lacking; a committed one is not."""
    rig = Rig(footage())
    receiving, roll = rig.receiving()
    sink = write_parcel(receiving, rig.reader(), 0)
    assert rig.lacking(roll.lacking()) == [0]

    receiving.commit([sink])

    assert rig.lacking(roll.lacking()) == []
    with rig.journal.read() as db:
        assert parcels.durable_numbers(db, rig.roll_id) == {0}
    assert rig.row().moved_bytes == rig.row().total_bytes


@pytest.mark.parametrize("op", ["write", "sync", "sync_folder", "open_write", "set_mtime"])
@pytest.mark.parametrize(
    ("code", "held"),
    [
        (errno.EIO, HeldCode.STORAGE_ERROR),
        (errno.EROFS, HeldCode.STORAGE_ERROR),
        (errno.ENOSPC, HeldCode.STORAGE_FULL),
        (errno.EDQUOT, HeldCode.STORAGE_FULL),
        (errno.ESTALE, HeldCode.STORAGE_ABSENT),
    ],
)
def test_a_failure_condemns_the_parcel_and_says_why(op: str, code: int, held: HeldCode) -> None:
    """Whatever step fails, nothing is confirmed; the same parcel written anew is good."""
    rig = Rig(footage(small=3))
    receiving, roll = rig.receiving()
    rig.disk.fail_next(op, code)

    with pytest.raises(HeldError) as raised:
        carry(receiving, rig.reader(), [0])

    assert raised.value.code is held
    assert raised.value.remedy
    assert roll.take_trouble() is raised.value
    assert rig.lacking(roll.lacking()) == [0]
    carry(receiving, rig.reader(), [0])
    _assert_all_there(rig)


def test_boxes_that_fill_one_storage_together_leave_what_is_to_be_kept_free() -> None:
    """Each look finds what all lanes were promised, written or not."""
    clock = StillClock()
    one = Rig(footage(big_bytes=40 * MIB), clock=clock)
    other = Rig(footage(big_bytes=40 * MIB, seed=8), disk=one.disk, source="/media/b", clock=clock)
    area = one.area(keep_free_bytes=32 * MIB)
    lanes = []
    for rig in (one, other):
        receiving = ReceivingRolls(area, rig.journal)
        receiving.add(ReceivingRoll(rig.inventory, area, rig.journal, lambda: None))
        lanes += [(rig, receiving, number) for number in range(rig.plan.count)]
    one.disk.full_after(72 * MIB)
    begun = []
    for rig, receiving, number in lanes:
        clock.now_s += 60
        with suppress(HeldError):
            begun.append((rig.reader(), receiving, number, receiving.begin(rig.roll_id, number)))

    for reader, receiving, number, sink in begun:
        clock.now_s += 60
        write_parcel(receiving, reader, number, sink)
        receiving.commit([sink])

    free_bytes = one.disk.capacity_bytes - one.disk.tree.used_bytes
    assert free_bytes >= 32 * MIB - PAPERS_BYTES
    assert free_bytes < 48 * MIB, "nor is any kept free that was not to be"


def test_a_failed_sync_condemns_what_other_lanes_wrote_beside_it() -> None:
    """After one failed sync nothing unconfirmed is trusted: the system may call it clean."""
    rig = Rig(footage(small=2, big_bytes=17 * MIB))
    receiving, _ = rig.receiving()
    first, second = (write_parcel(receiving, rig.reader(), number) for number in (1, 2))
    rig.disk.fail_next("sync", errno.EIO)
    with pytest.raises(HeldError):
        receiving.commit([first])

    with pytest.raises(LinkLostError, match="condemned"):
        receiving.commit([second])


def test_a_parcel_that_arrives_otherwise_than_it_was_read_is_refused() -> None:
    """The digests of the sender decide, piece by piece."""
    rig = Rig(footage())
    receiving, roll = rig.receiving()
    sink = receiving.begin(rig.roll_id, 0)
    sink.write(memoryview(bytearray(sink.total_bytes)))
    with pytest.raises(LinkLostError, match="not what was read"):
        sink.finish(bytes(16 * sink.piece_count))
    sink.abandon()

    short = receiving.begin(rig.roll_id, 0)
    with pytest.raises(LinkLostError, match="ended early"):
        short.finish(b"")
    long = receiving.begin(rig.roll_id, 0)
    with pytest.raises(LinkLostError, match="longer"):
        long.write(memoryview(bytearray(long.total_bytes + 1)))
    assert rig.lacking(roll.lacking()) == [0]


def test_a_lane_that_hung_cannot_write_once_another_brings_its_parcel() -> None:
    """The late writer is turned away, before and after the other's commit."""
    rig = Rig(footage())
    receiving, _ = rig.receiving()
    late = receiving.begin(rig.roll_id, 0)
    late.write(memoryview(b"X"))
    carry(receiving, rig.reader(), [0])

    with pytest.raises(LinkLostError, match="another lane"):
        late.write(memoryview(b"X"))
    _assert_all_there(rig)


def test_a_durable_parcel_that_comes_again_is_not_written_again() -> None:
    """What may have been proved stays as it was proved."""
    rig = Rig(footage())
    receiving, _ = rig.receiving()
    carry(receiving, rig.reader(), [0])
    again = receiving.begin(rig.roll_id, 0)
    again.write(memoryview(bytearray(again.total_bytes)))
    again.finish(bytes(16 * again.piece_count))
    receiving.commit([again])

    _assert_all_there(rig)


def test_a_parcel_for_an_unknown_roll_or_number_is_refused() -> None:
    """Lanes carry only what was offered."""
    rig = Rig(footage())
    receiving, _ = rig.receiving()
    with pytest.raises(HeldError):
        receiving.begin("0" * 32, 0)
    with pytest.raises(LinkLostError):
        receiving.begin(rig.roll_id, rig.plan.count)


def test_files_of_a_parcel_that_comes_again_are_to_be_proved_again() -> None:
    """Forgetting a parcel takes the proofs of all its files with it."""
    rig = Rig(footage())
    receiving, roll = rig.receiving()
    carry(receiving, rig.reader(), [0])
    assert sorted(roll.files_to_prove()) == list(range(len(rig.inventory.files)))
    roll.count_proved(roll.files_to_prove())
    assert roll.proved_among(range(99)) == set(range(len(rig.inventory.files)))

    with rig.journal.write() as db:
        roll.forget(db, [0])

    assert roll.proved_among(range(99)) == set()
    assert roll.files_to_prove() == []
    assert rig.row().moved_bytes == 0


def test_several_lanes_receive_one_roll_on_a_real_disk(tmp_path: Path) -> None:
    """Threads share the roll, its folders and the journal."""
    disk = RealDisk()
    (tmp_path / "source").mkdir()
    (tmp_path / "storage").mkdir()
    rig = Rig(
        footage(small=2500, big_bytes=33 * MIB),
        disk=disk,
        source=str(tmp_path / "source"),
        storage=str(tmp_path / "storage"),
    )
    receiving, roll = rig.receiving()
    reader = rig.reader()
    lanes = [
        threading.Thread(target=carry, args=(receiving, reader, range(n, rig.plan.count, 3)))
        for n in range(3)
    ]
    for lane in lanes:
        lane.start()
    for lane in lanes:
        lane.join()

    assert roll.is_all_durable
    for entry in rig.inventory.files:
        stored = tmp_path / "storage" / stored_path(rig.roll_id, entry)
        assert stored.read_bytes() == rig.files[entry.path]
        assert stored.stat().st_mtime_ns == entry.mtime_ns
    reader.close()
    rig.journal.close()
    disk.close()


def test_a_parcel_is_not_confirmed_while_the_journal_cannot_be_written() -> None:
    """It is durable and not recorded, so the lane ends and it comes again later."""
    rig = Rig(footage())
    receiving, roll = rig.receiving()
    sink = write_parcel(receiving, rig.reader(), 0)
    with rig.journal.read() as db:
        db.execute("PRAGMA query_only = ON")  # as on a disk that went read-only
    with pytest.raises(LinkLostError, match="journal"):
        receiving.commit([sink])
    assert rig.lacking(roll.lacking()) == [0]

    with rig.journal.read() as db:
        db.execute("PRAGMA query_only = OFF")
    carry(receiving, rig.reader(), [0])
    assert rig.lacking(roll.lacking()) == []


def test_a_late_parcel_of_a_published_roll_is_taken_and_left_out() -> None:
    """A lane that was cut brings it again; nothing is written for it."""
    rig = Rig(footage())
    receiving, _ = rig.receiving()
    carry(receiving, rig.reader(), [0])
    with rig.journal.write() as db:
        rolls.set_stage(db, rig.roll_id, Stage.LANDED, now_utc_ms=1)
    receiving.remove(rig.roll_id)
    before = _on_storage(rig)

    carry(receiving, rig.reader(), [0])

    assert _on_storage(rig) == before
    with pytest.raises(LinkLostError, match="no parcel 99"):
        receiving.begin(rig.roll_id, 99)


def test_a_late_parcel_of_a_roll_that_was_given_up_is_refused() -> None:
    """It is neither written nor confirmed: the answer to the next offer says what is wanted."""
    rig = Rig(footage())
    receiving, _ = rig.receiving()
    receiving.remove(rig.roll_id)

    with pytest.raises(HeldError, match="not expected here"):
        receiving.begin(rig.roll_id, 0)


@pytest.mark.usefixtures("no_collection")
def test_a_published_roll_is_not_kept_in_memory() -> None:
    """Nor in a cycle: a roll may have 100,000 files, and cycles are looked for very seldom."""
    rig = Rig(footage())
    receiving, roll = rig.receiving()
    carry(receiving, rig.reader(), range(rig.plan.count))
    kept = weakref.ref(roll)
    receiving.remove(rig.roll_id)

    del roll

    assert kept() is None
