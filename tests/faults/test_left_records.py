"""The journal of a storage's box is lost, and rolls are gone from the storage: said, and mended.

As if that box had known them: only their records are left to tell of them.
"""

import asyncio
from typing import Any

import pytest

from syncd.journal import notices
from syncd.journal.journal import Journal
from syncd.roll.stages import Stage
from tests.faults.scenes import (
    answers_of,
    clips,
    cut_small,
    listing,
    lose_journal,
    play,
    put_files,
    put_roll,
    reaches,
    row_of,
    stored,
    until,
)
from tests.faults.world import DAY, LANDING, STORAGE, Box, World

ROLL = f"{DAY}/A012"
LOOKED_S = 70  # the storage is looked over once a minute


@pytest.fixture(autouse=True)
def small_parcels(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut rolls finely."""
    cut_small(monkeypatch)


def _remove(world: World, path: str = ROLL) -> None:
    with world.processing.disk.untroubled():
        world.processing.disk.open_folder(STORAGE).remove_tree(path)
        world.processing.disk.settle()


def _records(world: World) -> set[str]:
    return set(world.processing.disk.files_below(f"{STORAGE}/.syncd/rolls"))


def _events(box: Box, *kinds: str) -> list[str]:
    with box.journal.read() as db:
        return [row.kind for row in notices.after(db, 0, kinds=kinds)]


async def _ready(world: World) -> dict[str, bytes]:
    """Let a roll become ready, and long enough be so for it to be noted who was told."""
    put_roll(world, "A012", clips(world))
    await reaches(world, "A012")
    await asyncio.sleep(10)
    return stored(world, "A012")


async def _waits_as(world: World, code: str) -> None:
    """Wait until both boxes list the roll as ready, with that said of it; their checks, too."""

    def is_so(box: Box) -> bool:
        row = row_of(box, "A012")
        is_away = row is not None and row.astray is not None and row.stage is Stage.READY
        return is_away and row is not None and row.put_away is (code == "put-away")

    boxes = (world.offload, world.processing)
    await until(lambda: all(is_so(box) for box in boxes), f"both say {code}", limit_s=2 * LOOKED_S)
    await asyncio.sleep(10)
    for box in boxes:
        answers = answers_of(box)
        waits: dict[str, Any] = (await answers.roll("A012"))["waits"]
        assert waits["code"] == code
        assert waits["remedy"]
        check = next(each for each in await answers._checks() if each["name"] == "published")
        assert check["ok"] is (code == "put-away")
        assert (ROLL in check["message"]) is (code == "gone")


def _is_well(world: World) -> bool:
    rows = [row_of(box, "A012") for box in (world.offload, world.processing)]
    return all(row and row.stage is Stage.READY and not (row.held or row.astray) for row in rows)


@pytest.mark.parametrize("when", ["before it was seen", "after both boxes said so"])
def test_it_is_gone_on_both_boxes_and_handed_over_again(when: str) -> None:
    """Moved away while nobody looked, or long known to be gone: no box says plain ready."""
    world = World(1)

    async def scene() -> None:
        await _ready(world)
        _remove(world)
        if when != "before it was seen":
            await _waits_as(world, "gone")
        await lose_journal(world, world.processing)
        await _waits_as(world, "gone")
        await asyncio.sleep(3 * LOOKED_S)
        await answers_of(world.offload).go("A012")
        await until(lambda: _is_well(world), "it is ready again")

    play(world, scene)
    assert _events(world.offload, "gone") == ["gone"]
    assert _events(world.processing, "gone") == ["gone"]
    world.check_nothing_false()


@pytest.mark.parametrize("is_good", [True, False], ids=["good", "wrong"])
def test_put_back_it_is_read_before_it_counts_as_there(is_good: bool) -> None:
    """No reading of this journal says that it is as it was published."""
    world = World(2)

    async def scene() -> None:
        there = await _ready(world)
        _remove(world)
        await lose_journal(world, world.processing)
        await _waits_as(world, "gone")
        clip = "Clips/C001.mov"
        back = there if is_good else {**there, clip: b"?" + there[clip][1:]}
        put_files(world.processing, f"{STORAGE}/{ROLL}", back)
        await asyncio.sleep(2 * LOOKED_S)
        assert _is_well(world) is is_good
        row = row_of(world.processing, "A012")
        assert row is not None
        assert row.held is None if is_good else row.held and row.held.path == clip

    play(world, scene)
    assert "ready" not in _events(world.processing, "ready"), "nobody is told of a new roll"


def test_go_puts_it_away_and_no_lost_journal_brings_that_up_again() -> None:
    """It is noted on the storage until the roll is there again; and then told anew if it goes."""
    world = World(3)

    async def scene() -> None:
        there = await _ready(world)
        _remove(world)
        await lose_journal(world, world.processing)
        await _waits_as(world, "gone")
        await answers_of(world.processing).go("A012")
        await _waits_as(world, "put-away")
        await lose_journal(world, world.processing)
        await _waits_as(world, "put-away")
        await asyncio.sleep(2 * LOOKED_S)
        assert _events(world.processing, "gone", "put-away") == ["put-away"]
        assert _events(world.offload, "gone", "put-away") == ["gone", "put-away"]
        put_files(world.processing, f"{STORAGE}/{ROLL}", there)
        await until(lambda: _is_well(world), "it is ready again")
        await asyncio.sleep(LOOKED_S)
        assert not any(name.endswith(".put-away") for name in _records(world))
        _remove(world)
        await lose_journal(world, world.processing)
        await _waits_as(world, "gone")

    play(world, scene)


def test_an_offload_box_that_was_away_meanwhile_hears_that_it_was_put_away() -> None:
    """Of what the lost journal would have told it nothing is left; ready alone it never stays."""
    world = World(4)

    async def scene() -> None:
        await _ready(world)
        _remove(world)
        await asyncio.sleep(LOOKED_S)
        await answers_of(world.processing).go("A012")
        await asyncio.sleep(10)
        with world.offload.journal.write() as db:  # as if it had heard of nothing yet
            db.execute("UPDATE roll SET astray = NULL, put_away = 0")
        await lose_journal(world, world.processing)
        await _waits_as(world, "put-away")

    play(world, scene)


def test_a_roll_that_was_about_to_be_published_is_not_gone() -> None:
    """The record is written and the power goes before the rename; the journal is lost, too."""
    world = World(5)
    box = world.processing

    def after_crash() -> None:
        box.after_crash = lambda: None
        box.journal = Journal(None)

    def at_op(op: str, _: str) -> None:
        if op.startswith("rename") and _records(world):
            box.disk.at_op = lambda *_: None
            box.disk.crash_at_op = box.disk.ops + 1
            box.after_crash = after_crash

    async def scene() -> None:
        box.disk.at_op = at_op
        put_roll(world, "A012", clips(world))
        await until(lambda: box.crashes, "the power went")
        assert _records(world)
        assert not stored(world, "A012")
        await reaches(world, "A012")
        await asyncio.sleep(2 * LOOKED_S)
        assert _is_well(world)

    play(world, scene)
    for each in (world.offload, box):
        assert _events(each, "gone") == []
    world.check_nothing_false()


def test_of_two_under_one_name_the_one_that_made_way_is_not_said_to_be_gone() -> None:
    """A person moved it away so that the other could come; only that one is missed."""
    world = World(6)

    async def scene() -> None:
        await _ready(world)
        first = row_of(world.processing, "A012")
        assert first is not None
        with world.processing.disk.untroubled():
            world.processing.disk.open_folder(STORAGE).rename_new(ROLL, "kept")
            world.processing.disk.settle()
        files = clips(world)
        listed = files | {"A012.md5": listing(files)}
        put_files(world.offload, f"{LANDING}/{ROLL}", listed, replace=True)
        world.footage["A012"] = files
        await lose_journal(world, world.offload)
        await until(lambda: stored(world, "A012"), "the other one is published")
        await asyncio.sleep(10)
        _remove(world)
        await lose_journal(world, world.processing)
        await asyncio.sleep(2 * LOOKED_S)
        (row,) = (row for row in world.processing.rows() if row.name == "A012")
        assert row.roll_id != first.roll_id
        assert row.astray is not None
        _remove(world, "kept")

    play(world, scene)


def test_a_storage_that_is_not_mounted_has_lost_nothing() -> None:
    """Neither what lies at its path instead, nor its coming back, makes a roll gone."""
    world = World(7)

    async def scene() -> None:
        await _ready(world)
        world.processing.disk.take_away(STORAGE, instead=True)
        await lose_journal(world, world.processing)
        await asyncio.sleep(2 * LOOKED_S)
        assert row_of(world.processing, "A012") is None
        world.processing.disk.bring_back(STORAGE)
        await until(lambda: _is_well(world), "it is listed again")

    play(world, scene)
    for box in (world.offload, world.processing):
        assert _events(box, "gone") == []
