"""Names that would become one on a volume that folds case or Unicode, and what lies in the way."""

import asyncio
import unicodedata

import pytest

from syncd.journal import history
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
    stored,
)
from tests.faults.world import DAY, LANDING, STORAGE, World

SECOND = "/media/second"
COMPOSED = unicodedata.normalize("NFC", "Caf\u00e9_A012")
APART = unicodedata.normalize("NFD", COMPOSED)
pytestmark = pytest.mark.usefixtures("small_parcels")


@pytest.mark.parametrize(("first", "second"), [("c9", "C9"), ("STRASSE", "stra\u00dfe")])
def test_a_roll_that_differs_from_a_published_one_only_by_case_is_held(
    first: str, second: str
) -> None:
    """Renamed at the source, it arrives; the first stays as it was."""
    world = World(41)

    async def scene() -> str:
        files = clips(world)
        put_roll(world, first, clips(world))
        await reaches(world, first)
        put_roll(world, second, files)
        held = await is_held(world, second, HeldCode.NAME_UNSAFE)
        await asyncio.sleep(60)
        assert not stored(world, second)
        _rename(world, f"{LANDING}/{DAY}/{second}", f"{LANDING}/{DAY}/C010")
        await reaches(world, "C010")
        return held.message

    said = play(world, scene)
    assert f"{DAY}/{second} and {DAY}/{first} are one name where case or Unicode is folded" in said
    assert "Rename this roll's folder" in said
    assert stored(world, first)


def test_names_that_look_alike_are_told_apart_in_the_message() -> None:
    """One composed, one decomposed: both are shown as what they are made of."""
    world = World(42)

    async def scene() -> str:
        put_roll(world, COMPOSED, clips(world))
        await reaches(world, COMPOSED)
        put_roll(world, APART, clips(world))
        return (await is_held(world, APART, HeldCode.NAME_UNSAFE)).message

    said = play(world, scene)
    assert r"Caf\xe9_A012" in said
    assert r"Cafe\u0301_A012" in said


def test_of_two_that_are_under_way_the_second_is_held() -> None:
    """Nothing of it travels; the first arrives."""
    world = World(43)

    async def scene() -> None:
        put_roll(world, "c9", clips(world, count=8))
        await moves(world, "c9")
        order_by_hand(world.offload, None, paused=True)
        put_roll(world, "C9", clips(world))
        await is_held(world, "C9", HeldCode.NAME_UNSAFE)
        assert row_of(world.processing, "C9") is None
        order_by_hand(world.offload, None, paused=False)
        await reaches(world, "c9")

    play(world, scene)


@pytest.mark.parametrize("is_first_ready", [True, False])
def test_days_are_compared_as_rolls_are(is_first_ready: bool) -> None:
    """A day beside its twin would hold half of its rolls."""
    world = World(44)
    twin = DAY.lower()

    async def scene() -> str:
        put_roll(world, "A012", clips(world, count=8))
        await (reaches(world, "A012") if is_first_ready else moves(world, "A012"))
        order_by_hand(world.offload, None, paused=not is_first_ready)
        files = clips(world)
        lists = {"B007.md5": listing(files)}
        put_files(world.offload, f"{LANDING}/{twin}/B007", {**files, **lists})
        held = await is_held(world, "B007", HeldCode.NAME_UNSAFE)
        order_by_hand(world.offload, None, paused=False)
        await reaches(world, "A012")
        return held.message

    assert f"{twin} and {DAY} are one name" in play(world, scene)
    assert not world.processing.disk.files_below(f"{STORAGE}/{twin}")


def test_a_twin_that_appears_while_a_roll_is_under_way_is_met_when_it_is_published() -> None:
    """Somebody else made it; it is said, and once it is gone the roll goes on."""
    world = World(45)

    async def scene() -> None:
        put_roll(world, "C9", clips(world, count=8))
        await moves(world, "C9")
        put_files(world.processing, f"{STORAGE}/{DAY}/c9", {"notes.txt": b"ours"})
        held = await is_held(world, "C9", HeldCode.NAME_UNSAFE)
        assert not stored(world, "C9")
        assert "`syncd go` the roll" in held.message
        assert "Rename this roll" not in held.message, "its bytes are there under this name"
        with world.processing.disk.untroubled():
            world.processing.disk.open_folder(STORAGE).remove_tree(f"{DAY}/c9")
            world.processing.disk.settle()
        order_by_hand(world.offload, "C9", go=True)
        await reaches(world, "C9")

    play(world, scene)


def test_a_folder_renamed_after_its_name_was_taken_is_offered_under_the_new_name() -> None:
    """The content is the same, and so is the roll's id; its files need not be touched for that."""
    world = World(47, landings=(LANDING, SECOND))

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        files = clips(world)
        for place in ("A012", "A013"):  # the same content, and neither name is free
            put_files(world.processing, f"{STORAGE}/{DAY}/A013", {f"{place}.mov": b"another"})
            lists = {"A012.md5": listing(files)}
            put_files(world.offload, f"{SECOND}/{DAY}/{place}", {**files, **lists})
            await asyncio.sleep(120)
        await is_held(world, "A013", HeldCode.NAME_TAKEN)
        row = row_of(world.offload, "A013")
        assert row is not None
        with world.offload.journal.read() as db:
            notes = [line.note for line in history.read(db, row.roll_id)]
        assert sum("goes on as" in note for note in notes) == 1
        _rename(world, f"{SECOND}/{DAY}/A012", f"{SECOND}/{DAY}/A014")
        await reaches(world, "A014")
        assert {path: stored(world, "A014")[path] for path in files} == files

    play(world, scene)


def _rename(world: World, old: str, new: str) -> None:
    with world.offload.disk.untroubled():
        world.offload.disk.open_folder("/").rename_new(old[1:], new[1:])
        world.offload.disk.settle()


@pytest.mark.parametrize("dropping", [None, ".DS_Store"])
def test_an_empty_folder_of_a_rolls_name_is_called_that(dropping: str | None) -> None:
    """Not another roll. Taken away by a person, the roll arrives."""
    world = World(46)

    async def scene() -> str:
        files = {dropping: b"x"} if dropping else {}
        put_files(world.processing, f"{STORAGE}/{DAY}/A012", files)
        with world.processing.disk.untroubled():
            folder = world.processing.disk.open_folder(STORAGE)
            folder.make_folders(f"{DAY}/A012/Clips")
            world.processing.disk.settle()
        put_roll(world, "A012", clips(world))
        held = await is_held(world, "A012", HeldCode.NAME_TAKEN)
        with world.processing.disk.untroubled():
            folder.remove_tree(f"{DAY}/A012")
            world.processing.disk.settle()
        order_by_hand(world.offload, "A012", go=True)
        await reaches(world, "A012")
        return held.message

    said = play(world, scene)
    assert f"an empty folder {DAY}/A012" in said
    assert "Remove the empty folder by hand" in said
    assert "another roll" not in said
