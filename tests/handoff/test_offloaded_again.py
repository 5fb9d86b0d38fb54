"""What a person does after a hold: offload again, write the evidence anew, or copy a roll twice."""

import asyncio

import pytest

from syncd.board.answers import JournalAnswers
from syncd.journal.rolls import HistoryRow, RollRow
from syncd.roll.stages import HeldCode, Stage
from tests.faults.scenes import (
    answers_of,
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
    touch,
    until,
)
from tests.faults.sim_net import Plane
from tests.faults.virtual_time import run_simulated
from tests.faults.world import DAY, LANDING, STORAGE, World

pytestmark = pytest.mark.usefixtures("small_parcels")


def test_a_file_offloaded_again_heals_an_evidence_mismatch() -> None:
    """The right bytes under a new modification time are taken as what they are: the same roll."""
    world = World(1)
    good = clips(world)
    path = "Clips/C001.mov"
    bad = {**good, path: world.rng.randbytes(len(good[path]))}

    async def scene() -> None:
        put_roll(world, "A012", bad, evidence={"A012.md5": listing(good)})
        await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)
        put_files(world.offload, f"{LANDING}/{DAY}/A012", {path: good[path]}, replace=True)
        world.footage["A012"] = good
        touch(world, "A012")
        await reaches(world, "A012")

    play(world, scene)
    world.check_nothing_false()
    assert stored(world, "A012")[path] == good[path]


def test_evidence_made_anew_is_no_taken_name() -> None:
    """A held roll whose content and list were made anew goes on, in place of the failed attempt."""
    world = World(2)
    listed, wrong, right = clips(world), clips(world), clips(world)

    async def scene() -> None:
        put_roll(world, "A012", wrong, evidence={"A012.md5": listing(listed)})
        await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)
        again = {**right, "A012.md5": listing(right)}
        put_files(world.offload, f"{LANDING}/{DAY}/A012", again, replace=True)
        world.footage["A012"] = right
        touch(world, "A012")
        await reaches(world, "A012")

    play(world, scene)
    world.check_nothing_false()
    assert len([row for row in world.processing.rows() if row.name == "A012"]) == 1
    assert not world.processing.disk.files_below(f"{STORAGE}/.syncd/incoming")


def test_what_is_offloaded_again_finds_the_room_of_the_failed_attempt() -> None:
    """The storage is as good as full with what can never be completed: that makes way by itself."""
    world = World(12)
    listed, wrong, right = clips(world), clips(world), clips(world)

    async def scene() -> None:
        put_roll(world, "A012", wrong, evidence={"A012.md5": listing(listed)})
        await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)
        await until(lambda: world.processing.rows()[0].held, "it is held there, too")
        _leave_room(world, 30_000)
        again = {**right, "A012.md5": listing(right)}
        put_files(world.offload, f"{LANDING}/{DAY}/A012", again, replace=True)
        world.footage["A012"] = right
        touch(world, "A012")
        await reaches(world, "A012")

    play(world, scene)
    world.check_nothing_false()
    assert len(world.processing.rows()) == 1
    assert not world.processing.disk.files_below(f"{STORAGE}/.syncd/incoming")


@pytest.mark.parametrize("is_too_large", [True, False], ids=["too large", "name taken"])
def test_a_failed_attempt_is_kept_while_its_successor_is_refused(is_too_large: bool) -> None:
    """Nothing that came in is given up for a roll that is not taken."""
    world = World(13)
    listed, wrong = clips(world), clips(world)
    right = clips(world, count=10) if is_too_large else clips(world)

    async def scene() -> None:
        put_roll(world, "A012", wrong, evidence={"A012.md5": listing(listed)})
        await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)
        await until(lambda: world.processing.rows()[0].held, "it is held there, too")
        if is_too_large:
            _leave_room(world, 30_000)
        else:
            put_files(world.processing, f"{STORAGE}/{DAY}/A012", {"notes.txt": b"ours"})
        again = {**right, "A012.md5": listing(right)}
        put_files(world.offload, f"{LANDING}/{DAY}/A012", again, replace=True)
        touch(world, "A012")
        code = HeldCode.STORAGE_FULL if is_too_large else HeldCode.NAME_TAKEN
        await is_held(world, "A012", code)
        await asyncio.sleep(30.0)

    play(world, scene)
    assert len(world.processing.rows()) == 1
    assert world.processing.disk.files_below(f"{STORAGE}/.syncd/incoming")


def _leave_room(world: World, free_bytes: int) -> None:
    disk = world.processing.disk
    disk.capacity_bytes = disk.tree.used_bytes + free_bytes


def test_what_was_offloaded_again_is_one_line_and_one_name() -> None:
    """The failed attempt rests: no list has it, its id leads to the new one, also after a start."""
    world = World(14)
    listed, wrong, right = clips(world), clips(world), clips(world)

    async def scene() -> tuple[RollRow, RollRow]:
        put_roll(world, "A012", wrong, evidence={"A012.md5": listing(listed)})
        await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)
        (old,) = world.offload.rows()
        _leave_room(world, -world.processing.disk.tree.used_bytes)  # nothing goes on for now
        again = {**right, "A012.md5": listing(right)}
        put_files(world.offload, f"{LANDING}/{DAY}/A012", again, replace=True)
        world.footage["A012"] = right
        touch(world, "A012")
        await is_held(world, "A012", HeldCode.STORAGE_FULL)
        notes = [line.note for line in history(world, old.roll_id)]
        assert not any("handed over as" in note for note in notes), "it was only held"
        world.processing.disk.be_well()
        new = await reaches(world, "A012")
        await world.offload.lose_power()
        await asyncio.sleep(30.0)
        return old, new

    old, new = play(world, scene)
    answers = JournalAnswers(
        world.offload.journal, clock=world.offload.clock, disk=world.offload.disk
    )

    async def asked() -> list[str]:
        listed = [row.roll_id for row in await answers.listed()]
        return listed + [(await answers.roll(text))["id"] for text in (f"{DAY}/A012", old.roll_id)]

    assert run_simulated(asked(), limit_s=10.0) == [new.roll_id] * 3
    assert any(old.roll_id in line.note for line in history(world, new.roll_id))
    assert any(new.roll_id in line.note for line in history(world, old.roll_id))


def test_what_rests_goes_on_from_another_folder_that_holds_it() -> None:
    """Its own folder has another roll by now; nothing that lies on a landing is forgotten."""
    world = World(15)
    first, second = clips(world), clips(world)

    async def scene() -> None:
        order_by_hand(world.offload, None, paused=True)
        put_roll(world, "A012", first)
        await until(lambda: row_of(world.offload, "A012"), "it is seen")
        await until(lambda: not is_arriving(world), "it is verified")
        again = {**second, "A012.md5": listing(second)}
        put_files(world.offload, f"{LANDING}/{DAY}/A012", again, replace=True)
        touch(world, "A012")
        await until(lambda: len(world.offload.rows()) == 2, "what lies there now is verified")
        put_roll(world, "A013", first, evidence={"A012.md5": listing(first)})
        world.footage["A012"] = second
        await asyncio.sleep(10.0)
        order_by_hand(world.offload, None, paused=False)
        await reaches(world, "A012")
        await reaches(world, "A013")

    play(world, scene)
    world.check_nothing_false()
    assert {path: stored(world, "A013")[path] for path in first} == first


def test_what_lies_in_another_folder_too_is_one_roll() -> None:
    """Promise 7: the same content under another day is not published a second time."""
    world = World(3)
    files = clips(world)

    async def scene() -> None:
        put_roll(world, "A012", files)
        await reaches(world, "A012")
        copy = {**files, "A012.md5": listing(files)}
        put_files(world.offload, f"{LANDING}/2026-03-15_D13/A012", copy)
        for landing in world.offload.parts.landings if world.offload.parts else ():
            landing.touched("2026-03-15_D13/A012/anything")
        row = row_of(world.offload, "A012")
        assert row is not None
        while not any("the same content" in line.note for line in history(world, row.roll_id)):
            await world.offload.clock.sleep(0.5)

    play(world, scene)
    days = world.processing.disk.files_below(STORAGE)
    assert not [path for path in days if path.startswith("2026-03-15")]
    assert len(world.offload.rows()) == 1


def history(world: World, roll_id: str) -> list[HistoryRow]:
    """Return the offload box's history of a roll."""
    return world.offload.history(roll_id)


def test_a_landed_roll_that_was_changed_and_put_back_leaves_nothing_held() -> None:
    """What was verified while it was changed can never arrive; it rests when all is as it was."""
    world = World(9)
    good = clips(world)
    path = "Clips/C001.mov"
    folder = f"{LANDING}/{DAY}/A012"

    async def scene() -> None:
        put_roll(world, "A012", good)
        await reaches(world, "A012")
        put_files(world.offload, folder, {path: b"written over"}, replace=True)
        touch(world, "A012")
        await is_held(world, "A012", HeldCode.NAME_TAKEN)
        put_files(world.offload, folder, {path: good[path]}, replace=True)
        touch(world, "A012")
        await until(lambda: not any(row.held for row in world.offload.rows()), "nothing is held")

    play(world, scene)
    world.check_nothing_false()


def test_files_put_there_again_on_the_way_are_read_as_they_are_now() -> None:
    """What the landing took anew is no change of the source: nobody is told to act."""
    world = World(10)
    files = clips(world, count=6)

    async def scene() -> None:
        put_roll(world, "A012", files)
        await moves(world, "A012")
        order_by_hand(world.offload, None, paused=True)
        await world.offload.clock.sleep(2.0)  # what is on the lanes is through
        put_files(world.offload, f"{LANDING}/{DAY}/A012", files, replace=True)
        touch(world, "A012")
        await until(lambda: is_noted(world, "put there again"), "the landing takes them anew")
        order_by_hand(world.offload, None, paused=False)
        await reaches(world, "A012")

    play(world, scene)
    world.check_nothing_false()
    assert not any(line.stage == "held" or "written to" in line.note for line in of_a012(world))


def test_evidence_replaced_before_an_offer_gets_through_is_what_is_offered() -> None:
    """An offer that got lost is made anew from the journal: the list has a line more by then."""
    world = World(11)
    files = clips(world)
    pair = frozenset({"offload-1", "process-1"})

    async def scene() -> None:
        await until(lambda: is_heard(world), "the boxes are connected")
        world.net.quiet(pair, Plane.CONTROL)
        put_roll(world, "A012", files)
        await until(lambda: row_of(world.offload, "A012") is not None, "it is seen")
        await until(lambda: not is_arriving(world), "it is verified")
        await world.offload.clock.sleep(2.0)  # the offer is on its way to nobody
        again = {"A012.md5": b"# checked twice\n" + listing(files)}
        put_files(world.offload, f"{LANDING}/{DAY}/A012", again, replace=True)
        touch(world, "A012")
        await until(lambda: is_noted(world, "its evidence changed"), "the landing takes it anew")
        world.net.open(pair, Plane.CONTROL)
        await reaches(world, "A012")

    play(world, scene)
    world.check_nothing_false()
    assert stored(world, "A012")["A012.md5"].startswith(b"# checked twice")
    assert not any("changed on the source" in line.note for line in of_a012(world))


def of_a012(world: World) -> list[HistoryRow]:
    """Return the offload box's history of A012."""
    row = row_of(world.offload, "A012")
    return [] if row is None else history(world, row.roll_id)


def is_noted(world: World, text: str) -> bool:
    """Tell whether A012's history on the offload box says so."""
    return any(text in line.note for line in of_a012(world))


def is_heard(world: World) -> bool:
    """Tell whether the offload box is connected."""
    parts = world.offload.parts
    return parts is not None and parts.handover is not None and not parts.handover.problem


def is_arriving(world: World) -> bool:
    """Tell whether A012 is not verified yet."""
    row = row_of(world.offload, "A012")
    return row is None or row.stage is Stage.ARRIVING


@pytest.mark.parametrize("says_go", [True, False], ids=["go", "by itself"])
def test_a_file_offloaded_again_is_found_where_the_landing_gives_no_events(says_go: bool) -> None:
    """Of another length and time: the roll goes on, and nobody is told that its source changed."""
    world = World(16)
    good = clips(world)
    path = "Clips/C001.mov"
    bad = {**good, path: good[path] + b"too long"}

    async def scene() -> None:
        put_roll(world, "A012", bad, evidence={"A012.md5": listing(good)})
        await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)
        await asyncio.sleep(300)  # so that the next look by itself is a minute off
        put_files(world.offload, f"{LANDING}/{DAY}/A012", {path: good[path]}, replace=True)
        world.footage["A012"] = good
        if says_go:
            await answers_of(world.offload).go(f"{DAY}/A012")
        await reaches(world, "A012")

    play(world, scene)
    world.check_nothing_false()
    assert stored(world, "A012")[path] == good[path]
    notes = [line.note for row in world.offload.rows() for line in history(world, row.roll_id)]
    assert not any("source-changed" in note for note in notes)


def test_a_file_that_still_does_not_match_is_held_again_after_go() -> None:
    """What a person says is tried, and told as it is."""
    world = World(17)
    good = clips(world)
    path = "Clips/C001.mov"

    async def scene() -> None:
        bad = {**good, path: good[path][:-1] + b"?"}
        put_roll(world, "A012", bad, evidence={"A012.md5": listing(good)})
        await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)
        await asyncio.sleep(60)
        put_files(world.offload, f"{LANDING}/{DAY}/A012", {path: b"short"}, replace=True)
        await answers_of(world.offload).go(f"{DAY}/A012")
        await asyncio.sleep(120)
        row = row_of(world.offload, "A012")
        assert row is not None
        assert row.held is not None

    play(world, scene)
    assert not stored(world, "A012")


def test_a_source_that_changed_is_held_on_both_boxes_and_goes_on_as_it_was() -> None:
    """The storage's box does not show it as moving; it says whose source is meant."""
    world = World(18)
    files = clips(world, count=6)
    path = "Clips/C005.mov"

    async def scene() -> None:
        put_roll(world, "A012", files)
        await moves(world, "A012")
        folder = world.offload.disk.open_folder(f"{LANDING}/{DAY}/A012")
        folder.rename_new(path, f"{path}.aside")
        put_files(world.offload, f"{LANDING}/{DAY}/A012", {path: b"another take"})
        held = await is_held(world, "A012", HeldCode.SOURCE_CHANGED)
        there = await is_held(world, "A012", HeldCode.SOURCE_CHANGED, box=world.processing)
        assert there.message == f"offload-1: {held.message}"
        await asyncio.sleep(30)
        folder.remove_file(path)
        folder.rename_new(f"{path}.aside", path)
        await reaches(world, "A012")

    play(world, scene)
    world.check_nothing_false()
    assert {path: stored(world, "A012")[path] for path in files} == files


def test_go_on_the_storages_box_lets_a_roll_go_on_that_is_held_for_its_source() -> None:
    """A person who has mended the landing may say so where the other half is."""
    world = World(19)
    good = clips(world)
    path = "Clips/C001.mov"
    bad = {**good, path: good[path][:-1] + b"?"}

    async def scene() -> None:
        put_roll(world, "A012", bad, evidence={"A012.md5": listing(good)})
        await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)
        await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH, box=world.processing)
        await asyncio.sleep(300)
        await answers_of(world.processing).go(f"{DAY}/A012")
        await until(lambda: is_noted(world, "no longer held"), "it is tried", limit_s=5)
        await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)

    play(world, scene)
    assert not stored(world, "A012")
