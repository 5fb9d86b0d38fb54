"""Files without evidence, edited on the way and given their old size and time back."""

import asyncio
import os
from pathlib import Path

import pytest

from syncd.edges.disk import RealDisk
from syncd.errors import HeldError
from syncd.handoff.untouched import SAYS_NOTHING_NS, FileWatch, TouchedError
from syncd.journal import parcels
from syncd.limits import MIB
from syncd.roll.inventory import FileEntry, Inventory, Trust
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode
from syncd.storage.reading import RollReader
from tests.faults.scenes import (
    clips,
    cut_small,
    is_held,
    moves,
    order_by_hand,
    play,
    put_roll,
    reaches,
    row_of,
    stored,
    touch,
    until,
)
from tests.faults.strikes_edits import edit_in_place, make_times_up
from tests.faults.world import DAY, LANDING, Box, World

CLIP = "Clips/C000.mov"
SOURCE = f"{LANDING}/{DAY}/A012/{CLIP}"


@pytest.fixture(autouse=True)
def small_parcels(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut rolls finely."""
    cut_small(monkeypatch)


def at_piece(world: World, number: int, offset: int, bit: int | None) -> None:
    """Edit (None: only touch) the clip on the landing right before its piece of that number."""
    disk, opened = world.offload.disk, [0]

    def at_op(op: str, path: str) -> None:
        if op == "open_read" and path.endswith(CLIP) and world.processing.rows():
            opened[0] += 1
            if opened[0] > number:
                disk.at_op = None
                edit_in_place(disk, SOURCE, offset, bit)

    disk.at_op = at_op


def settled(seed: int = 1) -> tuple[World, dict[str, bytes]]:
    """Return a world of settled rolls, and the files of one with one clip."""
    world = World(seed, trust=Trust.SETTLED)
    return world, clips(world, 1, 90_000)


def sent_bytes(world: World) -> int:
    """Return what the lanes have carried so far."""
    assert world.offload.parts is not None
    assert world.offload.parts.handover is not None
    return world.offload.parts.handover.stats.payload_bytes


@pytest.mark.parametrize("number", [2, 5, 9])
def test_an_edit_of_what_was_sent_is_held_and_named_and_never_published(number: int) -> None:
    """It has its old size and time; let go as it is, it is held again; put back, it arrives."""
    world, files = settled()

    async def scene() -> None:
        at_piece(world, number, 100, 3)
        put_roll(world, "A012", files, evidence={})
        held = await is_held(world, "A012", HeldCode.SOURCE_CHANGED)
        assert held.path == CLIP
        assert "bytes 0 to 8192 are not what was sent" in held.message
        assert "source side is wrong" in held.message
        order_by_hand(world.offload, "A012", go=True)
        await until(lambda: row_of(world.offload, "A012").held is None, "it goes on")  # type: ignore[union-attr]
        await is_held(world, "A012", HeldCode.SOURCE_CHANGED)
        assert not stored(world, "A012"), "published as a mix of two"

        edit_in_place(world.offload.disk, SOURCE, 100, 3)
        order_by_hand(world.offload, "A012", go=True)
        await reaches(world, "A012")

    play(world, scene)
    assert stored(world, "A012")[CLIP] == files[CLIP]


def test_an_edit_that_is_to_stay_arrives_whole_once_it_has_a_time_of_its_own() -> None:
    """The remedy that the message names: what was sent before the edit is given up."""
    world, files = settled()

    async def scene() -> None:
        at_piece(world, 4, 100, 3)
        put_roll(world, "A012", files, evidence={})
        await is_held(world, "A012", HeldCode.SOURCE_CHANGED)
        with world.offload.disk.untroubled():
            file = world.offload.disk.open_folder("/").open_write(SOURCE.strip("/"), create=False)
            file.set_mtime(file.stat().mtime_ns + 10**9)
            file.close()
        touch(world, "A012")
        await reaches(world, "A012")

    play(world, scene)
    edited = bytearray(files[CLIP])
    edited[100] ^= 1 << 3
    assert stored(world, "A012")[CLIP] == edited


def test_an_edit_of_what_is_still_to_be_sent_is_no_mix() -> None:
    """What was sent is as it was: the roll arrives as it is after the edit."""
    world, files = settled()

    async def scene() -> None:
        at_piece(world, 2, 89_000, 3)
        put_roll(world, "A012", files, evidence={})
        await reaches(world, "A012")

    play(world, scene)
    edited = bytearray(files[CLIP])
    edited[89_000] ^= 1 << 3
    assert stored(world, "A012")[CLIP] == edited


def test_a_touch_on_the_way_holds_nothing_and_sends_little_again() -> None:
    """Other permissions, say: what was sent is read again, and the rest follows."""
    world, files = settled()

    async def scene() -> None:
        at_piece(world, 5, 0, None)
        put_roll(world, "A012", files, evidence={})
        await reaches(world, "A012")
        assert sent_bytes(world) <= len(files[CLIP]) + 4 * (8 << 10)

    play(world, scene)
    assert stored(world, "A012")[CLIP] == files[CLIP]
    (row,) = world.offload.rows()
    assert not [line for line in world.offload.history(row.roll_id) if "held" in line.note]


def test_an_edit_while_the_offload_box_was_off_is_held() -> None:
    """Its journal has the change time; what was sent before the stop cannot be compared."""
    world, files = settled()

    async def scene() -> None:
        put_roll(world, "A012", files, evidence={})
        await moves(world, "A012", 20_000)
        await world.offload.lose_power()
        edit_in_place(world.offload.disk, SOURCE, 100, 3)
        held = await is_held(world, "A012", HeldCode.SOURCE_CHANGED)
        assert "before syncd was started last" in held.message
        assert not stored(world, "A012"), "published as a mix of two"

    play(world, scene)


def test_a_landing_that_makes_change_times_up_is_handed_over(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Another one at each look says nothing: read again a few times, then it counts no more."""
    world, files = settled()
    make_times_up(monkeypatch)

    async def scene() -> None:
        put_roll(world, "A012", files, evidence={})
        await reaches(world, "A012")

    play(world, scene)
    assert stored(world, "A012")[CLIP] == files[CLIP]
    assert _change_times(world.offload) == {0: SAYS_NOTHING_NS}


def _change_times(box: Box) -> dict[int, int]:
    (row,) = box.rows()
    with box.journal.read() as db:
        return parcels.change_times(db, row.roll_id)


@pytest.mark.parametrize("number", [2, 5])
def test_the_same_edit_of_a_roll_with_evidence_is_found_and_the_source_is_blamed(
    number: int,
) -> None:
    """There the storage finds what was sent of it, when it reads back against the evidence."""
    world = World(2)
    files = clips(world, 1, 90_000)

    async def scene() -> None:
        at_piece(world, number, 89_000, 3)
        put_roll(world, "A012", files)
        held = await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)
        assert held.path == CLIP
        assert "source side is wrong" in held.message
        assert not stored(world, "A012"), "published against its evidence"

    play(world, scene)


async def test_an_edit_between_two_pieces_of_a_real_file_is_found(tmp_path: Path) -> None:
    """As `touch -r` sets times back, on a real disk."""
    path = tmp_path / CLIP
    path.parent.mkdir()
    path.write_bytes(os.urandom(40_000))
    os.utime(path, ns=(10**18, 10**18))
    entry = FileEntry(CLIP, 40_000, path.stat().st_mtime_ns)
    inventory = Inventory(DAY, "A012", (entry,), trust=Trust.SETTLED)
    plan, disk = ParcelPlan(inventory), RealDisk()
    watch = FileWatch(inventory, plan, {})
    reader = RollReader(disk, disk.open_folder(str(tmp_path)), inventory, plan, watch=watch)
    everything = range(plan.count)
    assert watch.settle(reader, everything) == {0: path.stat().st_ctime_ns}
    _read(reader, 0)
    await asyncio.sleep(0.02)  # the clock of change times ticks in milliseconds, up to ten of them

    path.chmod(0o600)
    with pytest.raises(TouchedError):
        _read(reader, 1)
    watch.settle(reader, everything)
    _read(reader, 1)
    await asyncio.sleep(0.02)

    parcel = reader.open(2)
    parcel.read_into(memoryview(bytearray(1000)))
    with path.open("r+b") as file:
        file.write(b"theirs")
    os.utime(path, ns=(10**18, 10**18))
    with pytest.raises(TouchedError):
        parcel.read_into(memoryview(bytearray(MIB)))
    parcel.close()
    with pytest.raises(HeldError, match="bytes 0 to 8192 are not what was sent"):
        watch.settle(reader, everything)
    reader.close()


def _read(reader: RollReader, number: int) -> None:
    parcel = reader.open(number)
    try:
        view = memoryview(bytearray(MIB))
        while parcel.read_into(view):
            pass
    finally:
        parcel.close()
