"""One roll by several names with the same evidence: each leads to it, on every box."""

import asyncio

import pytest

from syncd.board.answers import JournalAnswers, find_one
from syncd.errors import PeerRefusedError, RollUnknownError
from syncd.journal.rolls import RollRow
from syncd.limits import SAME_AS_MAX
from syncd.roll.stages import HeldCode
from syncd.wire.messages import Called, CalledAnswer
from tests.faults.scenes import (
    alive,
    clips,
    is_held,
    listing,
    lose_journal,
    moves,
    order_by_hand,
    play,
    put_files,
    put_roll,
    reaches,
    row_of,
    stored,
    touch,
    until,
)
from tests.faults.virtual_time import run_simulated
from tests.faults.world import DAY, LANDING, STORAGE, Box, World
from tests.handoff.test_same_content import offer_at, second_box

OTHER_DAY = "2026-03-15_D13"
COPY = f"{OTHER_DAY}/A012-copy"
pytestmark = pytest.mark.usefixtures("small_parcels")


def _put_copy(world: World, files: dict[str, bytes], path: str = COPY) -> None:
    """Let a copy of A012, its list included, appear on the landing."""
    put_files(world.offload, f"{LANDING}/{path}", {**files, "A012.md5": listing(files)})
    for landing in world.offload.parts.landings if world.offload.parts else ():
        landing.touched(f"{path}/anything")


def _found(box: Box, text: str) -> RollRow | None:
    """Return the roll that a command on a box would mean."""
    with box.journal.read() as db:
        try:
            return find_one(db, text)
        except RollUnknownError:
            return None


async def _leads(world: World, text: str, roll_id: str) -> None:
    """Wait until a text means that roll on both boxes."""

    def is_so() -> bool:
        found = [_found(box, text) for box in (world.offload, world.processing)]
        return all(row is not None and row.roll_id == roll_id for row in found)

    await until(is_so, f"{text} leads to the roll")


def _notes(box: Box, roll_id: str) -> str:
    return "\n".join(line.note for line in box.history(roll_id))


@pytest.mark.parametrize("is_landed", [True, False], ids=["landed", "under way"])
def test_a_copy_under_another_name_leads_to_the_roll(is_landed: bool) -> None:
    """On both boxes, for editorial, and after starts; nothing is sent or told twice."""
    world = World(81)
    files = clips(world, count=4)

    async def scene() -> None:
        put_roll(world, "A012", files)
        await (reaches(world, "A012") if is_landed else moves(world, "A012"))
        _put_copy(world, files)
        row = await reaches(world, "A012")
        for text in (COPY, "A012-copy"):
            await _leads(world, text, row.roll_id)
        await until(lambda: COPY in _notes(world.offload, row.roll_id), "it is noted")
        assert f"published as {DAY}/A012 on process-1; {COPY} leads to it, too" in _notes(
            world.offload, row.roll_id
        )
        assert f"has it as {COPY}, too; it was published as {DAY}/A012" in _notes(
            world.processing, row.roll_id
        )
        for box in (world.offload, world.processing):
            await box.lose_power()
        await asyncio.sleep(60.0)
        await _leads(world, COPY, row.roll_id)
        assert _notes(world.processing, row.roll_id).count(COPY) == 1
        assert world.editorial.parts is not None
        assert world.editorial.parts.fetching is not None
        for text in (COPY, "A012-copy"):
            assert (await world.editorial.parts.fetching.find(text)).roll.roll_id == row.roll_id

    play(world, scene, editorial=True)
    assert not world.processing.disk.files_below(f"{STORAGE}/{OTHER_DAY}")
    assert [len(box.rows()) for box in (world.offload, world.processing)] == [1, 1]


def test_a_name_is_told_again_to_a_storage_whose_journal_was_lost() -> None:
    """It knows the roll from the storage itself, and the name from the offload box."""
    world = World(82)
    files = clips(world)

    async def scene() -> None:
        put_roll(world, "A012", files)
        row = await reaches(world, "A012")
        _put_copy(world, files)
        await _leads(world, COPY, row.roll_id)
        await lose_journal(world, world.processing)
        await until(lambda: row_of(world.processing, "A012"), "it is found again")
        await _leads(world, COPY, row.roll_id)

    play(world, scene)


@pytest.mark.parametrize("is_moved", [True, False], ids=["renamed", "copied and removed"])
def test_a_roll_renamed_on_its_way_is_found_by_both_names(is_moved: bool) -> None:
    """It goes on, is published as it began, and says so; its new name leads to it."""
    world = World(83)
    files = clips(world, count=12)

    async def scene() -> None:
        put_roll(world, "A012", files)
        await moves(world, "A012")
        order_by_hand(world.offload, None, paused=True)
        await asyncio.sleep(2.0)
        with world.offload.disk.untroubled():
            root = world.offload.disk.open_folder(LANDING)
            if is_moved:
                root.rename_new(f"{DAY}/A012", f"{DAY}/A013")
            else:
                _put_copy(world, files, f"{DAY}/A013")
            world.offload.disk.settle()
        if not is_moved:
            await asyncio.sleep(15.0)
            with world.offload.disk.untroubled():
                root.remove_tree(f"{DAY}/A012")
                world.offload.disk.settle()
        for name in ("A012", "A013"):
            touch(world, name)
        await asyncio.sleep(30.0)
        order_by_hand(world.offload, None, paused=False)
        row = await reaches(world, "A012")
        assert row.source_path == f"{LANDING}/{DAY}/A013"
        await _leads(world, f"{DAY}/A013", row.roll_id)
        await until(lambda: "leads to it" in _notes(world.offload, row.roll_id), "it is noted")
        assert f"published as {DAY}/A012 on process-1; {DAY}/A013 leads to it" in _notes(
            world.offload, row.roll_id
        )

    play(world, scene)
    assert {path: stored(world, "A012")[path] for path in files} == files
    assert not stored(world, "A013")


def test_a_name_that_another_roll_has_means_that_one() -> None:
    """A name that only leads somewhere gives way to a roll that is really called so."""
    world = World(84)
    files = clips(world)

    async def scene() -> None:
        put_roll(world, "A012", files)
        row = await reaches(world, "A012")
        _put_copy(world, files, f"{DAY}/A013")
        await _leads(world, "A013", row.roll_id)
        put_files(
            world.offload,
            f"{LANDING}/{DAY}/A013",
            {path: data[::-1] for path, data in files.items()}
            | {"A012.md5": listing({path: data[::-1] for path, data in files.items()})},
            replace=True,
        )
        touch(world, "A013")
        other = await reaches(world, "A013")
        assert other.roll_id != row.roll_id
        await _leads(world, "A013", other.roll_id)

    play(world, scene)


def test_the_name_under_which_another_box_offers_it_leads_to_the_roll() -> None:
    """It had it already, so nothing travels; the name is kept all the same."""
    world = World(86)
    files = clips(world)

    async def scene(other: Box) -> None:
        async with alive(world.offload, world.processing, other):
            put_roll(world, "A012", files)
            row = await reaches(world, "A012")
            offer_at(other, "A012-card2", {**files, "A012.md5": listing(files)})
            await until(lambda: _found(world.processing, "A012-card2"), "the name leads to it")
            found = _found(world.processing, "A012-card2")
            assert found is not None
            assert found.roll_id == row.roll_id

    other = second_box(world)
    run_simulated(scene(other), limit_s=2000.0)


def test_a_name_of_what_left_the_list_means_what_lies_there_now() -> None:
    """A folder that is gone keeps its name from nobody."""
    world = World(87)
    files, gone = clips(world), clips(world)

    async def scene() -> None:
        put_roll(world, "A012", files)
        row = await reaches(world, "A012")
        world.net.cut()
        put_roll(world, "A013", gone)
        await until(lambda: (it := row_of(world.offload, "A013")) and it.file_count, "verified")
        with world.offload.disk.untroubled():
            world.offload.disk.open_folder(LANDING).remove_tree(f"{DAY}/A013")
            world.offload.disk.settle()
        touch(world, "A013")
        await is_held(world, "A013", HeldCode.SOURCE_UNREADABLE)
        box = world.offload
        await JournalAnswers(box.journal, clock=box.clock, disk=box.disk).go("A013")
        world.net.join()
        _put_copy(world, files, f"{DAY}/A013")
        await _leads(world, "A013", row.roll_id)

    play(world, scene)


def test_names_that_a_peer_tells_are_bounded_and_checked() -> None:
    """So many of one roll, the latest; none that leads elsewhere; none of what is not there."""
    world = World(85)
    files = clips(world)

    async def ask(roll_id: str, name: str, day: str = DAY) -> CalledAnswer:
        question = Called(roll_id=roll_id, day=day, name=name)
        answer: CalledAnswer = await world.net.ask("offload-1", "process-1", question)
        return answer

    async def scene() -> None:
        put_roll(world, "A012", files)
        row = await reaches(world, "A012")
        for number in range(SAME_AS_MAX + 3):
            assert (await ask(row.roll_id, f"N{number:03}")).path == f"{DAY}/A012"
        assert _found(world.processing, "N002") is None
        assert _found(world.processing, f"N{SAME_AS_MAX + 2:03}") is not None
        assert (await ask("ab" * 16, "A099")).path == ""
        assert _found(world.processing, "A099") is None
        for day, name in (("..", "A012"), (DAY, "a/b"), (DAY, "NUL"), (".syncd", "A012")):
            with pytest.raises(PeerRefusedError):
                await ask(row.roll_id, name, day)

    async def main() -> None:
        async with alive(world.offload, world.processing):
            await scene()

    run_simulated(main(), limit_s=2000.0)
