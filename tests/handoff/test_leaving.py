"""Rolls whose folder is taken away on their way: what both boxes say, and how a person ends one."""

import asyncio
from collections.abc import Awaitable, Callable

import pytest

from syncd.board.answers import JournalAnswers
from syncd.journal.rows import Gone
from syncd.roll.stages import HeldCode
from tests.faults.scenes import (
    clips,
    is_held,
    listing,
    moves,
    order_by_hand,
    play,
    put_files,
    put_roll,
    reaches,
    row_of,
    touch,
    until,
)
from tests.faults.world import DAY, LANDING, STORAGE, World

pytestmark = pytest.mark.usefixtures("small_parcels")


def _answers(world: World) -> JournalAnswers:
    box = world.offload
    return JournalAnswers(box.journal, clock=box.clock, disk=box.disk)


def _take_away(world: World, name: str) -> None:
    with world.offload.disk.untroubled():
        world.offload.disk.open_folder(LANDING).remove_tree(f"{DAY}/{name}")
        world.offload.disk.settle()
    touch(world, name)


async def _begun(world: World, files: dict[str, bytes]) -> None:
    """Let a part of A012 come in, and then nothing more."""
    put_roll(world, "A012", files)
    await moves(world, "A012")
    order_by_hand(world.offload, None, paused=True)
    await asyncio.sleep(2.0)
    row = row_of(world.processing, "A012")
    assert row is not None
    assert 0 < row.moved_bytes < row.total_bytes


def _play(scene: Callable[[World, dict[str, bytes]], Awaitable[None]], seed: int) -> World:
    world = World(seed)
    files = clips(world, count=12)
    play(world, lambda: scene(world, files))
    return world


async def _missed(world: World) -> str:
    """Take A012 away; return what both boxes say of it then."""
    _take_away(world, "A012")
    await is_held(world, "A012", HeldCode.SOURCE_UNREADABLE)
    await until(lambda: row_of(world.offload, "A012").gone, "it is missed")  # type: ignore[union-attr]
    await is_held(world, "A012", HeldCode.SOURCE_UNREADABLE, box=world.processing)
    await asyncio.sleep(60.0)
    rows = [row_of(box, "A012") for box in (world.offload, world.processing)]
    held = [row.held.message for row in rows if row is not None and row.held is not None]
    assert held[1].startswith("offload-1: "), "it says which box's source that is"
    said = {message.removeprefix("offload-1: ") for message in held}
    assert len(said) == 1, said
    return said.pop()


def test_both_boxes_say_that_the_folder_is_gone_and_it_goes_on_when_it_is_back() -> None:
    """Nobody is told to connect a landing that is there; the rest travels once it lies there."""

    async def scene(world: World, files: dict[str, bytes]) -> None:
        await _begun(world, files)
        said = await _missed(world)
        assert f"Its folder {LANDING}/{DAY}/A012 is gone from the landing. Put it back" in said
        order_by_hand(world.offload, None, paused=False)
        put_roll(world, "A012", files)
        await reaches(world, "A012")

    _play(scene, 71).check_nothing_false()


@pytest.mark.parametrize("is_cut", [False, True], ids=["connected", "cable out"])
def test_a_person_ends_a_roll_that_will_not_come_any_more(is_cut: bool) -> None:
    """It is on no list then, on neither box; what came in stays. Should it come, it is the same."""

    async def scene(world: World, files: dict[str, bytes]) -> None:
        await _begun(world, files)
        await _missed(world)
        row = row_of(world.offload, "A012")
        assert row is not None
        there = world.processing.disk.files_below(f"{STORAGE}/.syncd/incoming/{row.roll_id}/roll")
        if is_cut:
            world.net.cut()
        await _answers(world).go("A012")
        assert await _answers(world).listed() == ()
        said = await _answers(world).roll("A012")
        assert (said["listed"], said["held"]) == (False, None)
        if is_cut:
            await world.offload.lose_power()
            await asyncio.sleep(30.0)
            world.net.join()
        await until(lambda: not world.processing.rows(), "the storage waits no more")
        await until(lambda: world.offload.rows()[0].gone is Gone.OVER, "that is known")
        await asyncio.sleep(130.0)  # until stock is taken there again
        assert world.processing.rows() == []
        kept = world.processing.disk.files_below(f"{STORAGE}/.syncd/incoming/{row.roll_id}/roll")
        assert kept == there
        parts = world.processing.parts
        assert parts is not None
        assert parts.adopting is not None
        assert row.roll_id in parts.adopting.problem()
        order_by_hand(world.offload, None, paused=False)
        put_roll(world, "A012", files)
        again = await reaches(world, "A012")
        assert again.roll_id == row.roll_id
        assert await _answers(world).listed() != ()

    _play(scene, 72).check_nothing_false()


def test_what_is_all_on_the_storage_arrives_although_its_folder_is_gone() -> None:
    """Also if a person ends it meanwhile: nothing is given up that only has to be read back."""

    async def scene(world: World, files: dict[str, bytes]) -> None:
        order_by_hand(world.processing, None, paused=True)  # takes parcels, reads nothing back
        put_roll(world, "A012", files)
        await moves(world, "A012", least_bytes=sum(map(len, files.values())))
        _take_away(world, "A012")
        await until(lambda: row_of(world.offload, "A012").gone, "it is missed")  # type: ignore[union-attr]
        await _answers(world).go("A012")
        await asyncio.sleep(10.0)
        order_by_hand(world.processing, None, paused=False)
        await until(lambda: row_of(world.offload, "A012").gone is None, "it has landed")  # type: ignore[union-attr]
        await reaches(world, "A012")

    _play(scene, 73).check_nothing_false()


def test_a_roll_whose_predecessor_came_in_is_not_off_the_list_by_itself() -> None:
    """Of itself nothing was sent; what lay in its folder before is still on the storage."""

    async def scene(world: World, files: dict[str, bytes]) -> None:
        await _begun(world, files)
        _leave_no_room(world)
        again = clips(world)
        put_files(
            world.offload,
            f"{LANDING}/{DAY}/A012",
            {**again, "A012.md5": listing({**files, **again})},
            replace=True,
        )
        touch(world, "A012")
        await until(lambda: len(world.offload.rows()) == 2, "what lies there now is verified")
        _take_away(world, "A012")
        await until(lambda: _newest(world).gone is Gone.MISSED, "it is missed")
        await _answers(world).go("A012")
        await until(lambda: not world.processing.rows(), "the storage waits no more")

    _play(scene, 74)


def _leave_no_room(world: World) -> None:
    disk = world.processing.disk
    disk.capacity_bytes = 0


def _newest(world: World):  # type: ignore[no-untyped-def]
    (row,) = [row for row in world.offload.rows() if row.same_as is None]
    return row
