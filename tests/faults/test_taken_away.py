"""A published roll is taken away or changed by somebody, and offered again by a new offload box.

The storage box's journal is as it was: it must not answer from that alone.
"""

from collections.abc import Callable

import pytest

from syncd.handoff.had import READINGS_MAX
from syncd.journal.rolls import HistoryRow
from syncd.ports import Folder
from syncd.roll.stages import HeldCode, Stage
from syncd.storage.marker import make_marker
from tests.faults.scenes import (
    clips,
    cut_small,
    is_held,
    listing,
    lose_journal,
    order_by_hand,
    play,
    put_files,
    put_roll,
    reaches,
    row_of,
    stored,
    until,
)
from tests.faults.strikes_edits import edit_in_place, make_times_up
from tests.faults.world import DAY, LANDING, STORAGE, SimChance, World

ROLL = f"{DAY}/A012"
CLIP = f"{ROLL}/Clips/C001.mov"


@pytest.fixture(autouse=True)
def small_parcels(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut rolls finely."""
    cut_small(monkeypatch)


def by_hand(world: World, work: Callable[[Folder], object]) -> None:
    """Let a person do something on the storage."""
    with world.processing.disk.untroubled():
        work(world.processing.disk.open_folder(STORAGE))
        world.processing.disk.settle()


def moved_away(folder: Folder) -> None:
    """Move the published roll out of its name."""
    folder.rename_new(ROLL, f"{DAY}/A012-old")


def rewritten(change: Callable[[bytes], bytes]) -> Callable[[Folder], None]:
    """Write a published clip anew, with the time of now."""

    def work(folder: Folder) -> None:
        folder.replace_file(CLIP, change(folder.read_file(CLIP, bytes_max=1 << 20)))

    return work


def sent_bytes(world: World) -> int:
    """Return what the offload box has sent since it started."""
    assert world.offload.parts is not None
    assert world.offload.parts.handover is not None
    return world.offload.parts.handover.stats.payload_bytes


def notes(world: World) -> str:
    """Return the history of the roll on the storage's box."""
    row = row_of(world.processing, "A012")
    assert row is not None
    return "\n".join(line.note for line in world.processing.history(row.roll_id))


def test_a_roll_that_was_taken_away_arrives_again() -> None:
    """Its folder is gone: it is taken as new, published again, and its history says so."""
    world = World(31)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        by_hand(world, lambda folder: folder.remove_tree(ROLL))
        await lose_journal(world, world.offload)
        await reaches(world, "A012")

    play(world, scene)
    assert set(world.published()) == {"A012"}
    world.check_nothing_false()
    assert "no longer on the storage" in notes(world)


def test_a_roll_arrives_again_on_a_new_storage() -> None:
    """Another storage is at the same path, marked; the box was restarted: nothing is had."""
    world = World(32)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        await world.processing.lose_power()
        disk = world.processing.disk
        with disk.untroubled():
            above, _, name = STORAGE.rpartition("/")
            disk.open_folder(above or "/").rename_new(name, f"{name}-old")
            disk.make_root(STORAGE)
            make_marker(disk.open_folder(STORAGE), SimChance(world.rng))
            disk.settle()
        await lose_journal(world, world.offload)
        await reaches(world, "A012")

    play(world, scene)
    assert set(world.published()) == {"A012"}
    world.check_nothing_false()


WRONGS: dict[str, tuple[Callable[[Folder], object], str]] = {
    "missing": (lambda folder: folder.remove_file(CLIP), "missing"),
    "shorter": (rewritten(lambda data: data[:-1]), "59,999 bytes, not 60,000"),
    "other bytes": (rewritten(lambda data: b"other" + data[5:]), "expected"),
}


@pytest.mark.parametrize("what", WRONGS)
def test_a_roll_with_a_file_that_is_not_as_published_is_not_had(what: str) -> None:
    """Held on both boxes, the file named; `go` alone changes nothing, a way made for it does."""
    world = World(33)
    work, said = WRONGS[what]

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        by_hand(world, work)
        before = stored(world, "A012")
        await lose_journal(world, world.offload)
        for box in (world.offload, world.processing):
            held = await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH, box=box)
            assert held.path == "Clips/C001.mov"
            assert said in held.message
            assert f"move {ROLL} away" in held.message
        order_by_hand(world.offload, "A012", go=True)
        await until(lambda: notes(world).count("no longer held") == 1, "it was looked at again")
        await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH)
        assert stored(world, "A012") == before
        by_hand(world, moved_away)
        order_by_hand(world.processing, "A012", go=True)
        await reaches(world, "A012")
        await reaches(world, "A012", box=world.processing)
        assert world.processing.disk.files_below(f"{STORAGE}/{DAY}/A012-old") == before
        by_hand(world, lambda folder: folder.remove_tree(f"{DAY}/A012-old"))

    play(world, scene)
    world.check_nothing_false()


def test_a_file_that_was_only_touched_is_read_and_had() -> None:
    """Its time is another one, its bytes are not: nothing travels."""
    world = World(34)

    async def scene() -> int:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        by_hand(world, rewritten(lambda data: data))
        await lose_journal(world, world.offload)
        await reaches(world, "A012")
        return sent_bytes(world)

    assert play(world, scene) == 0
    world.check_nothing_false()


def test_a_file_that_was_edited_and_has_its_old_time_is_not_had() -> None:
    """Size and time are put back, and the change time tells; put right, it is read and had."""
    world = World(39)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        edit_in_place(world.processing.disk, f"{STORAGE}/{CLIP}", 7, 0)
        await lose_journal(world, world.offload)
        held = await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH)
        assert held.path == "Clips/C001.mov"
        edit_in_place(world.processing.disk, f"{STORAGE}/{CLIP}", 7, 0)
        order_by_hand(world.offload, "A012", go=True)
        await reaches(world, "A012")
        assert sent_bytes(world) == 0

    play(world, scene)
    world.check_nothing_false()


def reads_of_clip(world: World) -> list[str]:
    """Return a list that gets an entry each time the published clip is opened."""
    opened: list[str] = []

    def at_op(op: str, path: str) -> None:
        if op == "open_read" and path == CLIP:
            opened.append(path)

    world.processing.disk.at_op = at_op
    return opened


def test_what_was_copied_as_a_whole_is_read_once_and_had_from_then_on() -> None:
    """Every change time is another one: each roll is read at its next offer, and not at later ones.

    Nothing travels and nobody is told of anything wrong; a restart does not forget it.
    """
    world = World(40)

    async def scene() -> tuple[list[str], list[str]]:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        for path in world.published()["A012"]:
            edit_in_place(world.processing.disk, f"{STORAGE}/{ROLL}/{path}", 0, None)
        found = []
        for _ in range(2):
            opened = reads_of_clip(world)
            await lose_journal(world, world.offload)
            await reaches(world, "A012")
            await world.processing.lose_power()
            found.append(opened)
        assert sent_bytes(world) == 0
        return found[0], found[1]

    first, later = play(world, scene)
    assert (len(first), len(later)) == (1, 0)
    assert "held" not in notes(world)


def test_a_roll_that_was_read_under_a_new_journal_is_not_read_again() -> None:
    """Taking it up has read all of it, and so knows its change times; the next offer is quick."""
    world = World(41)

    async def scene() -> list[str]:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        await lose_journal(world, world.processing)
        await reaches(world, "A012", box=world.processing)
        opened = reads_of_clip(world)
        await lose_journal(world, world.offload)
        await reaches(world, "A012")
        return opened

    assert play(world, scene) == []


def test_a_storage_that_makes_change_times_up_is_had_after_a_few_readings(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Another one at each look says nothing: the bytes are read, and the roll is had, not held."""
    world = World(42)

    async def scene() -> list[str]:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        make_times_up(monkeypatch)
        opened = reads_of_clip(world)
        await lose_journal(world, world.offload)
        await reaches(world, "A012")
        return opened

    assert len(play(world, scene)) == READINGS_MAX
    world.check_nothing_false()


def test_what_was_edited_between_publishing_and_saying_so_is_not_said() -> None:
    """The box dies after the rename; who edits a file before it is back is found out."""
    world = World(43)
    box = world.processing

    def renamed(path: str) -> None:
        if path == ROLL:
            box.is_power, box.disk.renamed = False, None
            box.disk.crash_at_op = box.disk.ops + 1

    def after_crash() -> None:
        box.after_crash = lambda: None
        edit_in_place(box.disk, f"{STORAGE}/{CLIP}", 7, 0)

    async def scene() -> None:
        box.disk.renamed, box.after_crash = renamed, after_crash
        put_roll(world, "A012", clips(world))
        held = await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH, box=box)
        assert held.path == "Clips/C001.mov"
        assert (
            f"move {ROLL} away on the storage, so that the roll arrives anew; then `syncd go "
            f"{ROLL}` on process-1." in held.message
        )
        assert "ready" not in [line.stage for line in of_a012(world)]
        edit_in_place(box.disk, f"{STORAGE}/{CLIP}", 7, 0)
        order_by_hand(box, "A012", go=True)
        await reaches(world, "A012", box=box)

    play(world, scene)
    world.check_nothing_false()


def of_a012(world: World) -> list[HistoryRow]:
    """Return the history of the roll on the storage's box."""
    row = row_of(world.processing, "A012")
    return [] if row is None else world.processing.history(row.roll_id)


def test_a_roll_that_the_storage_box_holds_is_not_had() -> None:
    """Found wrong under a new journal: the offload box says why; put right, `go` there helps."""
    world = World(35)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        path = f"{STORAGE}/{CLIP}"
        world.processing.disk.flip(path, 7)
        await lose_journal(world, world.processing)
        await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH, box=world.processing)
        await lose_journal(world, world.offload)
        held = await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH)
        assert held.path == "Clips/C001.mov"
        world.processing.disk.flip(path, 7)
        order_by_hand(world.offload, "A012", go=True)
        await reaches(world, "A012")
        await reaches(world, "A012", box=world.processing)
        assert sent_bytes(world) == 0

    play(world, scene)
    world.check_nothing_false()


def test_a_roll_that_was_found_wrong_and_moved_away_arrives_again() -> None:
    """Held under a new journal; a person moves it out of its name and lets it go on."""
    world = World(38)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        world.processing.disk.flip(f"{STORAGE}/{CLIP}", 7)
        await lose_journal(world, world.processing)
        await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH, box=world.processing)
        await lose_journal(world, world.offload)
        await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH)
        by_hand(world, lambda folder: folder.rename_new(ROLL, "kept"))
        order_by_hand(world.processing, "A012", go=True)
        await reaches(world, "A012")
        await reaches(world, "A012", box=world.processing)

    play(world, scene)
    assert set(world.published()) == {"A012"}
    world.check_nothing_false()


def test_a_roll_whose_name_went_to_another_one_is_not_had() -> None:
    """A person made way for the other one: the first is name-taken now, and neither is touched."""
    world = World(36)

    def shoot(files: dict[str, bytes]) -> None:
        listed = files | {"A012.md5": listing(files)}
        put_files(world.offload, f"{LANDING}/{DAY}/A012", listed, replace=True)
        world.footage["A012"] = files

    async def scene() -> None:
        first, second = clips(world), clips(world)
        put_roll(world, "A012", first)
        await reaches(world, "A012")
        by_hand(world, lambda folder: folder.rename_new(ROLL, "kept"))
        shoot(second)
        await lose_journal(world, world.offload)
        await reaches(world, "A012")
        shoot(first)
        await lose_journal(world, world.offload)
        await is_held(world, "A012", HeldCode.NAME_TAKEN)
        world.footage["A012"] = second

    play(world, scene)
    world.check_nothing_false()


def test_a_storage_that_is_not_mounted_has_not_lost_its_rolls() -> None:
    """What lies below the unmounted path says nothing of them: storage-absent until it is back."""
    world = World(37)

    async def scene() -> int:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        world.processing.disk.take_away(STORAGE, instead=True)
        await lose_journal(world, world.offload)
        await is_held(world, "A012", HeldCode.STORAGE_ABSENT)
        world.processing.disk.bring_back(STORAGE)
        await reaches(world, "A012", Stage.READY)
        return sent_bytes(world)

    assert play(world, scene) == 0
    assert "no longer on the storage" not in notes(world)
    world.check_nothing_false()
