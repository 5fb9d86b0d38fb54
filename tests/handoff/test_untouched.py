"""Files without evidence, edited on the way and given their old size and time back."""

import asyncio
import os
from pathlib import Path

import pytest

from syncd.edges.chance import SystemChance
from syncd.edges.disk import RealDisk
from syncd.handoff.untouched import ANEW_TRIES_MAX, SAYS_NOTHING_NS, FileWatch, TouchedError
from syncd.journal import parcels
from syncd.limits import MIB
from syncd.roll.inventory import FileEntry, Inventory, Trust
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode
from syncd.storage.reading import RollReader
from tests.faults.scenes import (
    clips,
    is_held,
    moves,
    order_by_hand,
    play,
    put_roll,
    reaches,
    row_of,
    stored,
    until,
)
from tests.faults.strikes_edits import edit_in_place, make_times_up
from tests.faults.world import DAY, LANDING, Box, World

CLIP = "Clips/C000.mov"
SOURCE = f"{LANDING}/{DAY}/A012/{CLIP}"
pytestmark = pytest.mark.usefixtures("small_parcels")


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
def test_an_edit_of_what_was_sent_is_sent_anew_as_a_whole_and_told(number: int) -> None:
    """It has its old size and time; what arrives is the file as it is then, never a mix."""
    world, files = settled()

    async def scene() -> None:
        at_piece(world, number, 100, 3)
        put_roll(world, "A012", files, evidence={})
        await reaches(world, "A012")
        assert sent_bytes(world) <= len(files[CLIP]) + (number + 4) * (8 << 10)

    play(world, scene)
    assert stored(world, "A012")[CLIP] == edited(files[CLIP], 100)
    for box in (world.offload, world.processing):
        told = _told(box)
        assert f"{CLIP} " in told
        assert "sent anew as a whole" in told
        assert "held" not in told


def test_a_file_that_changes_again_and_again_is_held_until_that_ends() -> None:
    """What the message says to do works: stop it, then `syncd go`."""
    world, files = settled()
    disk = world.offload.disk
    is_writing, is_armed = True, False

    def at_op(op: str, path: str) -> None:
        nonlocal is_armed
        if op != "open_read" or not path.endswith(CLIP) or not world.processing.rows():
            return
        (row,) = world.processing.rows()
        is_begun = row.moved_bytes >= 20_000
        if is_begun and is_armed and is_writing:
            edit_in_place(disk, SOURCE, 100, 3)
        is_armed = not is_begun

    async def scene() -> None:
        nonlocal is_writing
        disk.at_op = at_op
        put_roll(world, "A012", files, evidence={})
        for count in (1, 2):
            held = await is_held(world, "A012", HeldCode.SOURCE_CHANGED)
            assert held.path == CLIP
            assert "again and again" in held.message
            assert "source side is wrong" in held.message
            assert not stored(world, "A012"), "published as a mix of two"
            assert _told(world.offload).count("sent anew as a whole") == count * ANEW_TRIES_MAX
            order_by_hand(world.offload, "A012", go=True)
            await until(lambda: row_of(world.offload, "A012").held is None, "it goes on")  # type: ignore[union-attr]
        await is_held(world, "A012", HeldCode.SOURCE_CHANGED)
        is_writing = False
        order_by_hand(world.offload, "A012", go=True)
        await reaches(world, "A012")

    play(world, scene)
    assert stored(world, "A012")[CLIP] in (files[CLIP], edited(files[CLIP], 100))


def test_an_edit_of_what_is_still_to_be_sent_is_no_mix() -> None:
    """What was sent is as it was: the roll arrives as it is after the edit."""
    world, files = settled()

    async def scene() -> None:
        at_piece(world, 2, 89_000, 3)
        put_roll(world, "A012", files, evidence={})
        await reaches(world, "A012")

    play(world, scene)
    assert stored(world, "A012")[CLIP] == edited(files[CLIP], 89_000)


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


@pytest.mark.parametrize("bit", [3, None])
def test_a_file_edited_or_touched_while_the_offload_box_was_off_is_sent_anew(
    bit: int | None,
) -> None:
    """Its journal has the change time, and nobody knows what was sent before the stop."""
    world, files = settled()

    async def scene() -> None:
        put_roll(world, "A012", files, evidence={})
        await moves(world, "A012", 20_000)
        await world.offload.lose_power()
        edit_in_place(world.offload.disk, SOURCE, 100, bit)
        await reaches(world, "A012")

    play(world, scene)
    whole = files[CLIP] if bit is None else edited(files[CLIP], 100)
    assert stored(world, "A012")[CLIP] == whole
    assert "held" not in _told(world.offload)
    assert f"{CLIP} changed where it comes from" in _told(world.processing)


def test_what_is_there_as_a_whole_is_not_sent_anew() -> None:
    """All of it was sent under one change time: whatever the file has now, it is no mix."""
    world = World(1, trust=Trust.SETTLED)
    files = clips(world, 2, 90_000)

    async def scene() -> None:
        put_roll(world, "A012", files, evidence={})
        await moves(world, "A012", 110_000)
        await world.offload.lose_power()
        for path in files:
            edit_in_place(world.offload.disk, f"{LANDING}/{DAY}/A012/{path}", 100, 3)
        await reaches(world, "A012")

    play(world, scene)
    there = stored(world, "A012")
    first, second = files
    assert there[first] == files[first]
    assert there[second] == edited(files[second], 100)


def test_files_are_sent_anew_although_both_boxes_lose_power_at_that() -> None:
    """Whichever of the two has noted it by then, no mix is published."""
    for delay_s in (0.0, 0.05, 0.1, 0.2, 0.4):
        world, files = settled()

        async def scene(
            world: World = world, files: dict[str, bytes] = files, delay_s: float = delay_s
        ) -> None:
            at_piece(world, 5, 100, 3)
            put_roll(world, "A012", files, evidence={})
            await until(lambda: world.offload.disk.at_op is None, "it is edited")
            await asyncio.sleep(delay_s)
            await world.offload.lose_power()
            await world.processing.lose_power()
            await reaches(world, "A012")

        play(world, scene)
        assert stored(world, "A012")[CLIP] in (files[CLIP], edited(files[CLIP], 100))


def test_a_file_is_sent_anew_once_although_the_storage_is_started_again() -> None:
    """The offers after that do not name it any more, and what came since stays."""
    world, files = settled()

    async def scene() -> None:
        at_piece(world, 3, 100, 3)
        put_roll(world, "A012", files, evidence={})
        await until(lambda: "sent anew" in _told(world.processing), "it is sent anew")
        await moves(world, "A012", 40_000)
        await world.processing.lose_power()
        await reaches(world, "A012")
        assert _told(world.processing).count("sent anew") == 1

    play(world, scene)
    assert stored(world, "A012")[CLIP] == edited(files[CLIP], 100)


def edited(data: bytes, offset: int) -> bytes:
    """Return data as edit_in_place() leaves it with bit 3."""
    changed = bytearray(data)
    changed[offset] ^= 1 << 3
    return bytes(changed)


def _told(box: Box) -> str:
    return "\n".join(line.note for row in box.rows() for line in box.history(row.roll_id))


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
    watch = FileWatch(inventory, plan, {}, SystemChance())
    state = watch.state(inventory.evidence_mark)
    folder = disk.open_folder(str(tmp_path))
    reader = RollReader(disk, folder, inventory, plan, state, watch=watch)
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
    with pytest.raises(TouchedError, match="sent anew as a whole"):
        watch.settle(reader, everything)
    assert watch.anew == (CLIP,)
    assert watch.state(inventory.evidence_mark) != state
    with pytest.raises(TouchedError):  # that is no answer to an offer which said so
        watch.settle(reader, everything)
    reader.close()

    state = watch.state(inventory.evidence_mark)
    folder = disk.open_folder(str(tmp_path))
    reader = RollReader(disk, folder, inventory, plan, state, watch=watch)
    assert watch.settle(reader, everything) == {0: path.stat().st_ctime_ns}
    assert list(watch.anew) == []
    _read(reader, 0)
    reader.close()


def _read(reader: RollReader, number: int) -> None:
    parcel = reader.open(number)
    try:
        view = memoryview(bytearray(MIB))
        while parcel.read_into(view):
            pass
    finally:
        parcel.close()
