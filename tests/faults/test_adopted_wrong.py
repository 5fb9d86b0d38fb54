"""A published roll that rotted, found by a new journal: said truly, and mended as any other."""

import asyncio
import re
from collections.abc import Callable
from typing import Any

import pytest

from syncd.journal import notices
from syncd.journal.rolls import HeldNote
from syncd.node_answers import NodeAnswers
from syncd.roll.stages import HeldCode, Stage
from tests.faults.scenes import (
    clips,
    cut_small,
    is_held,
    lose_journal,
    play,
    put_files,
    put_roll,
    reaches,
    row_of,
    until,
)
from tests.faults.world import DAY, STORAGE, Box, World

ROLL = f"{STORAGE}/{DAY}/A012"
CLIP = "Clips/C001.mov"


@pytest.fixture(autouse=True)
def small_parcels(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut rolls finely."""
    cut_small(monkeypatch)


def _answers(box: Box) -> NodeAnswers:
    parts: Any = box.parts
    nobody: Any = None
    return NodeAnswers(
        parts, box.book, nobody, 0, trusting=nobody, pairing=nobody, measuring=nobody
    )


async def _rotten(world: World) -> HeldNote:
    """Let a ready roll rot and its journal be lost; return why it is held then."""
    put_roll(world, "A012", clips(world))
    await reaches(world, "A012")
    await asyncio.sleep(5.0)  # long enough for it to be noted who was told
    world.processing.disk.flip(f"{ROLL}/{CLIP}", 500)
    await lose_journal(world, world.processing)
    held = await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH, box=world.processing)
    await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH)
    return held


def _is_well(world: World) -> bool:
    rows = [row_of(box, "A012") for box in (world.offload, world.processing)]
    return all(row is not None and not row.held and row.stage is Stage.READY for row in rows)


def _kinds(world: World) -> list[str]:
    with world.processing.journal.read() as db:
        return [notice.kind for notice in notices.after(db, 0)]


def test_it_is_held_with_all_that_is_known_and_its_history_is_true(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Range, both digests, whose side, on which box; nothing says that it was found good."""
    world = World(21)

    async def scene() -> None:
        held = await _rotten(world)
        assert held.path == CLIP
        lines = [each for each in caplog.messages if held.message in each]
        assert len(lines) == 2, "one on each box"
        assert "bytes 0 to 60000" in held.message
        assert len(set(re.findall(r"md5:[0-9a-f]{32}", held.message))) == 2
        assert "The storage side is wrong" in held.message
        assert f"`syncd go {DAY}/A012` on process-1" in held.message
        history = (await _answers(world.processing).roll("A012"))["history"]
        notes = [line["note"] for line in history]
        assert not any("and compared" in note for note in notes)
        said, why = history[-2:]
        assert "not as it was published" in said["note"]
        assert said["at"] == why["at"], "said when it was found, not when it landed"

    play(world, scene)
    assert "ready" not in _kinds(world)


def _copy_anew(world: World, data: bytes) -> None:
    put_files(world.processing, ROLL, {CLIP: data}, replace=True)


def _overwrite(world: World, data: bytes) -> None:
    with world.processing.disk.untroubled():
        file = world.processing.disk.open_folder(ROLL).open_write(CLIP)
        file.write([memoryview(data)], 0)
        file.close()
        world.processing.disk.settle()


@pytest.mark.parametrize("put", [_copy_anew, _overwrite])
@pytest.mark.parametrize("restart", [False, True])
def test_a_file_put_in_place_of_the_wrong_one_is_read_by_itself(
    put: Callable[[World, bytes], None], restart: bool
) -> None:
    """Replaced or overwritten in place; the roll is ready again on both boxes, and not as new."""
    world = World(22)

    async def scene() -> None:
        await _rotten(world)
        await asyncio.sleep(20)
        if restart:
            await world.processing.lose_power()
            await asyncio.sleep(20)
        assert not _is_well(world), "it is still rotten"
        put(world, world.footage["A012"][CLIP])
        await until(lambda: _is_well(world), "it is ready again", limit_s=15)

    play(world, scene)
    world.check_nothing_false()
    assert "ready" not in _kinds(world), "everybody was told of it before"


def test_go_has_it_read_and_lifts_the_hold_only_if_it_is_good() -> None:
    """On the storage's box; meanwhile, and if it is still wrong, both boxes have it as held."""
    world = World(23)

    async def scene() -> None:
        await _rotten(world)
        row = row_of(world.processing, "A012")
        await _answers(world.processing).go("A012")
        for _ in range(200):
            assert row_of(world.processing, "A012") == row
            await asyncio.sleep(0.05)
        world.processing.disk.flip(f"{ROLL}/{CLIP}", 500)
        await _answers(world.processing).go("A012")
        await until(lambda: _is_well(world), "it is ready again", limit_s=15)

    play(world, scene)
    world.check_nothing_false()


def test_moved_away_it_is_gone_and_can_be_handed_over_again() -> None:
    """The other remedy: the roll is wanted anew, and a person says so where it was offloaded."""
    world = World(24)

    async def scene() -> None:
        await _rotten(world)
        with world.processing.disk.untroubled():
            folder = world.processing.disk.open_folder(STORAGE)
            folder.rename_new(f"{DAY}/A012", "rotten")
            world.processing.disk.settle()
        await asyncio.sleep(80)
        row = row_of(world.offload, "A012")
        assert row is not None
        assert row.held is None
        assert row.astray is not None
        await _answers(world.offload).go("A012")
        await until(lambda: _is_well(world), "it is ready again")

    play(world, scene)
