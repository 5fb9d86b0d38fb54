"""A published roll that a fetch finds rotten, or not there: said on its box, and mended."""

import asyncio
import json
import re
from typing import Any

import pytest

from syncd.errors import NotPossibleError, PeerRefusedError
from syncd.journal import notices, rolls
from syncd.node_answers import NodeAnswers
from syncd.roll.stages import HeldCode, Stage
from tests.faults.scenes import (
    clips,
    is_held,
    play,
    put_files,
    put_roll,
    reaches,
    row_of,
    stored,
    until,
)
from tests.faults.world import DAY, STORAGE, Box, World

TARGET = "/Volumes/Edit"
CLIP = f"{STORAGE}/{DAY}/A012/Clips/C001.mov"
AT = 20_000  # in the third piece of 8 KiB
pytestmark = pytest.mark.usefixtures("small_parcels")


def _world(seed: int) -> World:
    world = World(seed)
    world.editorial.disk.make_root(TARGET)
    return world


async def _fetch(world: World) -> str:
    await until(lambda: world.editorial.parts, "editorial is up")
    assert world.editorial.parts is not None
    assert world.editorial.parts.fetching is not None
    return await world.editorial.parts.fetching.start(f"{DAY}/A012", TARGET)


async def _go(box: Box) -> None:
    """Say `syncd go A012` on a box, as the board does it."""
    await _answers(box).go("A012")


def _answers(box: Box) -> NodeAnswers:
    parts: Any = box.parts
    nobody: Any = None  # neither keys nor pairing are asked for here
    return NodeAnswers(
        parts, box.book, nobody, 0, trusting=nobody, pairing=nobody, measuring=nobody
    )


def _kinds(box: Box) -> list[str]:
    with box.journal.read() as db:
        rows = notices.after(db, 0)
        return [row.kind for row in rows if row.roll_id and row.kind != "order"]


def _is_well(box: Box, stage: Stage) -> bool:
    row = row_of(box, "A012")
    return row is not None and row.held is None and row.stage is stage


async def _rotten(world: World) -> rolls.HeldNote:
    """Let a roll become ready, turn a bit of it, and fetch it; return why it is held there."""
    put_roll(world, "A012", clips(world))
    await reaches(world, "A012")
    world.processing.disk.flip(CLIP, AT)
    await _fetch(world)
    return await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH, box=world.processing)


def test_what_a_fetch_finds_rotten_is_held_on_every_box_and_untouched() -> None:
    """With the file, the range, both digests and whose side is wrong; nobody writes over it."""
    world = _world(1)

    async def scene() -> None:
        held = await _rotten(world)
        assert held.path == "Clips/C001.mov"
        assert "bytes 16384 to 24576" in held.message
        assert len(set(re.findall(r"md5:[0-9a-f]{32}", held.message))) == 2
        assert "The storage side is wrong" in held.message
        assert f"`syncd go {DAY}/A012` on process-1" in held.message
        before = stored(world, "A012")
        for box in (world.offload, world.editorial):
            note = await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH, box=box)
            assert note.message == f"process-1: {held.message}"
        await asyncio.sleep(60)
        assert stored(world, "A012") == before
        status = await _answers(world.processing)._checks()
        (published,) = [check for check in status if check["name"] == "published"]
        assert not published["ok"]
        assert f"{DAY}/A012 (Clips/C001.mov)" in published["message"]
        with pytest.raises(PeerRefusedError, match="is held on process-1"):
            await _fetch(world)

    play(world, scene, editorial=True)
    assert _kinds(world.processing)[-1] == "held"


@pytest.mark.parametrize("way", ["go", "by itself"])
def test_a_rotten_roll_that_a_person_mends_is_ready_again(way: str) -> None:
    """After `go`, or once the file is another one; by reading it, and without a second roll."""
    world = _world(2)
    sound: list[dict[str, bytes]] = []

    async def scene() -> None:
        await _rotten(world)
        roll_id = rows[0].roll_id if (rows := world.processing.rows()) else ""
        await _go(world.processing)
        await asyncio.sleep(20)
        assert not _is_well(world.processing, Stage.READY), "it is still rotten"
        world.processing.disk.flip(CLIP, AT)
        if way == "go":
            await _go(world.processing)
        else:
            data = stored(world, "A012")["Clips/C001.mov"]
            put_files(
                world.processing, f"{STORAGE}/{DAY}/A012", {"Clips/C001.mov": data}, replace=True
            )
        await until(lambda: _is_well(world.processing, Stage.READY), "it is ready again")
        await until(lambda: _is_well(world.offload, Stage.READY), "and known to be")
        assert [row.roll_id for row in world.processing.rows()] == [roll_id]
        sound.append(stored(world, "A012"))
        await _fetch(world)
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)

    play(world, scene, editorial=True)
    assert _kinds(world.processing).count("ready") == 1, "nobody is told twice of a new roll"
    assert sound[0].items() >= world.footage["A012"].items()


def test_the_offload_box_cannot_let_go_what_is_held_where_it_was_published() -> None:
    """It does not know how the storage is; it names the box that does."""
    world = _world(3)

    async def scene() -> None:
        await _rotten(world)
        await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH)
        go_there = f"Once the cause is gone, say `syncd go {DAY}/A012` on process-1"
        with pytest.raises(NotPossibleError, match=go_there):
            await _go(world.offload)
        assert not _is_well(world.offload, Stage.READY)

    play(world, scene, editorial=True)


def test_a_file_that_was_only_touched_since_is_read_and_fetched() -> None:
    """Its time is another one, its bytes are not: no box holds anything for that."""
    world = _world(4)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        await asyncio.sleep(1)
        data = stored(world, "A012")["Clips/C001.mov"]
        put_files(world.processing, f"{STORAGE}/{DAY}/A012", {"Clips/C001.mov": data}, replace=True)
        await _fetch(world)
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)

    play(world, scene, editorial=True)
    assert "held" not in _kinds(world.editorial)
    assert "held" not in _kinds(world.processing)


def _rename(world: World, old: str, new: str) -> None:
    disk = world.processing.disk
    with disk.untroubled():
        disk.open_folder(STORAGE).rename_new(f"{DAY}/{old}", f"{DAY}/{new}")
        disk.settle()


def test_a_published_roll_that_was_renamed_is_said_to_be_gone_and_where_it_is() -> None:
    """In its line, its history and one event; a fetch waits for it, and says which box to mend."""
    world = _world(5)

    async def scene() -> None:
        files = clips(world)
        put_roll(world, "A012", files)
        put_roll(world, "B007", {path: data[::-1] for path, data in files.items()})
        await reaches(world, "A012")
        await reaches(world, "B007")
        _rename(world, "A012", "A012-old")
        await asyncio.sleep(70)
        listed = json.loads(await _answers(world.processing).rolls())["rolls"]
        lines = {each["name"]: each for each in listed}
        assert lines["B007"]["waits"] is None
        waits = lines["A012"]["waits"]
        assert waits["code"] == "gone"
        assert f"{DAY}/A012 is gone from where process-1 published it" in waits["message"]
        assert f"as {DAY}/A012-old" in waits["message"]
        assert "On process-1, rename" in waits["remedy"]
        await _fetch(world)
        code = HeldCode.SOURCE_UNREADABLE
        held = await is_held(world, "A012", code, box=world.editorial)
        assert f"as {DAY}/A012-old" in held.message
        assert "On process-1, rename" in held.message
        _rename(world, "A012-old", "A012")
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)
        await asyncio.sleep(70)
        assert (await _answers(world.processing).roll("A012"))["waits"] is None

    play(world, scene, editorial=True)
    assert [kind for kind in _kinds(world.processing) if kind in {"gone", "back"}] == [
        "gone",
        "back",
    ]


def test_a_published_roll_that_was_put_away_is_not_held() -> None:
    """It is said, with what to do if it is wanted; nothing is held for what a person may do."""
    world = _world(6)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        disk = world.processing.disk
        with disk.untroubled():
            disk.open_folder(STORAGE).remove_tree(f"{DAY}/A012")
            disk.settle()
        await asyncio.sleep(70)
        checks = await _answers(world.processing)._checks()
        (published,) = [check for check in checks if check["name"] == "published"]
        assert not published["ok"], "nobody has said yet that it may be gone"
        assert f"{DAY}/A012" in published["message"]

    play(world, scene, editorial=True)
    assert "held" not in _kinds(world.processing)


def test_who_wants_to_be_told_no_more_is_not_said_to_be_tried_again() -> None:
    """The remedy is a start, or to take it out; `syncd go` would change nothing."""
    world = World(9)

    async def scene() -> None:
        await until(lambda: world.processing.parts, "processing is up")
        parts: Any = world.processing.parts
        notes = {"webhook-0": "webhook receiver is gone (410)"}
        for gone, remedy in (({}, "syncd go"), (notes, "not tried again before syncd is started")):
            parts.relay._gone = gone
            parts.relay.problems = lambda: {"webhook-0": "It is not told."}
            checks = await _answers(world.processing)._checks()
            (check,) = [each for each in checks if each["name"] == "notice webhook-0"]
            assert remedy in check["remedy"]
            assert ("syncd go" in check["remedy"]) is (not gone)

    play(world, scene)
