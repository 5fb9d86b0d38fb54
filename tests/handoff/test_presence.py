"""What both boxes say while the other one is away, or its storage is: in rolls, checks, events."""

import asyncio
import logging
from typing import Any

import pytest

from syncd.handoff.presence import _storage_slow
from syncd.journal import notices
from syncd.limits import DEAD_AFTER_S, TICK_S
from syncd.parts import Parts
from syncd.roll.stages import HeldCode, Stage
from syncd.wire.messages import Hello
from tests.faults.scenes import clips, moves, play, put_roll, reaches, row_of, until
from tests.faults.world import LANDING, STORAGE, Box, World

pytestmark = pytest.mark.usefixtures("small_parcels")


def events(box: Box) -> list[tuple[str, str, dict[str, Any]]]:
    """Return the events that are about no roll: kind, note and data."""
    with box.journal.read() as db:
        rows = notices.after(db, 0)
    return [(row.kind, row.body["note"], row.body["data"]) for row in rows if row.roll_id is None]


def parts_of(box: Box) -> Parts:
    """Return the parts that run on a box."""
    assert box.parts is not None
    return box.parts


def _is_verified(world: World) -> bool:
    row = row_of(world.offload, "B007")
    return row is not None and row.stage is Stage.VERIFIED


def test_a_peer_that_is_away_is_told_on_both_boxes_and_of_the_roll_that_waits() -> None:
    """With reason and remedy, within 10 s; the roll is not held; each end is told, too; once."""
    world = World(1)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        world.net.cut()
        put_roll(world, "B007", clips(world))
        await asyncio.sleep(10)
        for box, other in ((world.offload, "process-1"), (world.processing, "offload-1")):
            (trouble,) = parts_of(box).presence.troubles()
            assert (trouble.code, trouble.peer) == ("peer-absent", other)
            assert trouble.remedy
            assert not parts_of(box).hears(other)
        await until(lambda: _is_verified(world), "the roll waits")
        row = row_of(world.offload, "B007")
        assert row is not None
        assert row.held is None
        waits = parts_of(world.offload).presence.waits(row)
        assert waits is not None
        assert "process-1" in waits.message
        world.net.join()
        await reaches(world, "B007")
        assert not parts_of(world.offload).presence.troubles()
        await asyncio.sleep(2 * TICK_S)

    play(world, scene)
    for box in (world.offload, world.processing):
        told = events(box)
        assert [kind for kind, _, _ in told] == ["peer-absent", "well-again"], told
        assert told[0][2]["remedy"]
        assert "heard again" in told[1][1]


def test_a_cable_that_is_out_for_a_moment_is_no_event() -> None:
    """Shorter than a peer counts as dead, nobody is told anything."""
    world = World(2)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        for _ in range(3):
            await asyncio.sleep(3)
            world.net.cut()
            await asyncio.sleep(DEAD_AFTER_S / 2)
            world.net.join()
        await reaches(world, "A012")

    play(world, scene)
    assert events(world.offload) == []
    assert events(world.processing) == []


def test_a_storage_that_is_not_there_is_told_on_the_offload_box_before_a_roll_needs_it() -> None:
    """And that it is back."""
    world = World(3)

    async def scene() -> None:
        await asyncio.sleep(5)
        world.processing.disk.take_away(STORAGE)
        await until(parts_of(world.offload).presence.troubles, "it is told")
        (trouble,) = parts_of(world.offload).presence.troubles()
        assert trouble.code == "peer-storage"
        assert trouble.remedy
        world.processing.disk.bring_back(STORAGE)
        await until(lambda: not parts_of(world.offload).presence.troubles(), "it is over")
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")

    play(world, scene)
    assert [kind for kind, _, _ in events(world.offload)] == ["peer-storage", "well-again"]


def test_a_source_that_is_gone_in_mid_roll_is_told_on_the_storage_side_and_cures_itself() -> None:
    """What was sent so far does not lie there without a word; with the card back, it goes on."""
    world = World(4)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, 6, 400_000))
        await moves(world, "A012")
        world.offload.disk.take_away(LANDING)
        await until(lambda: _held_code(world) is HeldCode.SOURCE_UNREADABLE, "it is told there")
        row = row_of(world.processing, "A012")
        assert row is not None
        assert row.held is not None
        assert "goes on by itself" in row.held.message
        world.offload.disk.bring_back(LANDING)
        await reaches(world, "A012")

    play(world, scene)


def _held_code(world: World) -> HeldCode | None:
    row = row_of(world.processing, "A012")
    return row.held.code if row is not None and row.held is not None else None


def test_a_question_asked_once_by_a_box_that_we_dial_makes_it_no_caller() -> None:
    """`syncd check` there greets this box in its name; that it is not repeated says nothing."""
    world = World(5)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        hello = Hello(node="process-1", roles=("processing",), version="1", utc_ms=0)
        parts_of(world.offload).callers.note("process-1", hello)
        await asyncio.sleep(3 * DEAD_AFTER_S)
        assert parts_of(world.offload).presence.troubles() == []

    play(world, scene)
    assert events(world.offload) == []


def test_a_peer_is_not_missed_before_it_could_be_heard() -> None:
    """Boxes that start together say nothing of each other; after that, absence is told as ever."""
    world = World(6)
    world.net.cut()

    async def scene() -> None:
        await until(lambda: world.offload.parts, "it runs")
        await asyncio.sleep(DEAD_AFTER_S / 2)
        assert parts_of(world.offload).presence.troubles() == []
        world.net.join()
        await asyncio.sleep(DEAD_AFTER_S)
        world.net.cut()
        await until(parts_of(world.offload).presence.troubles, "it is told")
        await asyncio.sleep(2 * TICK_S)

    play(world, scene)
    assert [kind for kind, _, _ in events(world.offload)] == ["peer-absent"]


def test_a_roll_whose_box_has_not_called_since_the_start_says_that_it_waits() -> None:
    """The processing box was restarted while the offload box is off: its list tells why."""
    world = World(7)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, 6, 400_000))
        await moves(world, "A012")
        world.net.cut()
        await world.processing.lose_power()
        await until(lambda: world.processing.parts, "it runs again")
        row = row_of(world.processing, "A012")
        assert row is not None
        await asyncio.sleep(3 * DEAD_AFTER_S)
        waits = parts_of(world.processing).presence.waits(row)
        assert waits is not None
        assert (waits.code, waits.peer) == ("peer-absent", "offload-1")
        assert "since syncd started" in waits.message
        world.net.join()
        await reaches(world, "A012")

    play(world, scene)


def test_a_storage_that_goes_and_comes_back_is_said_once_each_on_its_own_box(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """In its log and its events, with path and remedy, whether a roll needs it or not."""
    world = World(8)

    async def scene() -> None:
        await asyncio.sleep(10)
        world.processing.disk.take_away(STORAGE)
        await asyncio.sleep(30)
        world.processing.disk.bring_back(STORAGE)
        await asyncio.sleep(30)

    with caplog.at_level(logging.INFO, "syncd.storage.lookout"):
        play(world, scene)
    ours = [each for each in caplog.records if each.name == "syncd.storage.lookout"]
    gone, back = [each.getMessage() for each in ours]
    assert f"The storage {STORAGE} is not there" in gone
    assert "Mount it" in gone
    assert STORAGE in back
    assert "again" in back
    told = events(world.processing)
    assert [kind for kind, _, _ in told] == ["storage-absent", "well-again"]
    assert "Mount it" in told[0][2]["remedy"]
    assert told[1][2]["code"] == "storage-absent"


@pytest.mark.parametrize(
    ("wait_s", "said"),
    [(3.4, "for 3 s"), (3600.0, "for 3600 s"), (3601.0, "more than an hour"), (1e9, "an hour")],
)
def test_how_long_a_box_says_that_its_storage_is_slow_is_told_up_to_an_hour(
    wait_s: float, said: str
) -> None:
    """It may say any number, such as thirty years."""
    assert said in _storage_slow("process-1", wait_s).message
