"""The only copy of a ready roll is gone from the storage: both boxes say so, and how to mend it."""

import asyncio
from collections.abc import Callable
from typing import Any

import pytest

from syncd.errors import NotPossibleError
from syncd.journal import notices
from syncd.node_answers import NodeAnswers
from syncd.ports import Folder
from syncd.roll.stages import HeldCode, Stage
from tests.faults.scenes import (
    clips,
    is_held,
    listing,
    lose_journal,
    play,
    put_files,
    put_roll,
    reaches,
    row_of,
    stored,
    touch,
    until,
)
from tests.faults.world import DAY, LANDING, STORAGE, Box, World

ROLL = f"{DAY}/A012"
LOOKED_S = 70  # published rolls are looked for once a minute
pytestmark = pytest.mark.usefixtures("small_parcels")


def _answers(box: Box) -> NodeAnswers:
    parts: Any = box.parts
    nobody: Any = None  # neither keys nor pairing are asked for here
    return NodeAnswers(
        parts, box.book, nobody, 0, trusting=nobody, pairing=nobody, measuring=nobody
    )


async def _waits(box: Box, name: str = "A012") -> dict[str, str] | None:
    waits: dict[str, str] | None = (await _answers(box).roll(name))["waits"]
    return waits


async def _published_check(box: Box) -> dict[str, Any] | None:
    checks = await _answers(box)._checks()
    return next((check for check in checks if check["name"] == "published"), None)


def _events(box: Box, *kinds: str) -> list[str]:
    with box.journal.read() as db:
        return [row.kind for row in notices.after(db, 0, kinds=kinds)]


def _by_hand(box: Box, root: str, work: Callable[[Folder], object]) -> None:
    """Let a person do something on a disk."""
    with box.disk.untroubled():
        work(box.disk.open_folder(root))
        box.disk.settle()


def _sent_bytes(world: World) -> int:
    assert world.offload.parts is not None
    assert world.offload.parts.handover is not None
    return world.offload.parts.handover.stats.payload_bytes


async def _gone(world: World) -> dict[str, bytes]:
    """Let a roll become ready and its folder be removed; return what lay there."""
    put_roll(world, "A012", clips(world))
    await reaches(world, "A012")
    there = stored(world, "A012")
    _by_hand(world.processing, STORAGE, lambda folder: folder.remove_tree(ROLL))
    await asyncio.sleep(LOOKED_S)
    return there


def _is_well(world: World) -> bool:
    rows = [row_of(box, "A012") for box in (world.offload, world.processing)]
    return all(row and row.stage is Stage.READY and not (row.held or row.astray) for row in rows)


async def _is_ready_again(world: World) -> None:
    await until(lambda: _is_well(world), "it is ready again, on both boxes")
    for box in (world.offload, world.processing):
        assert await _waits(box) is None
        check = await _published_check(box)
        assert check is None or check["ok"]


def test_both_boxes_say_that_it_is_gone_and_nothing_is_sent_for_it() -> None:
    """In its line, its history, the check and one event; whatever happens but a person's word."""
    world = World(1)

    async def scene() -> None:
        await _gone(world)
        for box, go in ((world.offload, f"`syncd go {ROLL}` here"), (world.processing, "go")):
            waits = await _waits(box)
            assert waits is not None
            assert waits["code"] == "gone"
            assert f"{ROLL} is gone from where process-1 published it" in waits["message"]
            assert go in waits["remedy"]
            check = await _published_check(box)
            assert check is not None
            assert not check["ok"]
            assert ROLL in check["message"]
            history = (await _answers(box).roll("A012"))["history"]
            assert len([line for line in history if "is gone from where" in line["note"]]) == 1
        sent = _sent_bytes(world)
        await world.processing.lose_power()
        touch(world, "A012")
        source = f"{LANDING}/{DAY}/A012"
        files = world.offload.disk.files_below(source)
        put_files(world.offload, f"{LANDING}/{DAY}/A012b", files)
        _by_hand(world.offload, LANDING, lambda folder: folder.rename_new(ROLL, f"{DAY}/away"))
        await asyncio.sleep(200)
        _by_hand(world.offload, LANDING, lambda folder: folder.rename_new(f"{DAY}/away", ROLL))
        await asyncio.sleep(200)
        assert _sent_bytes(world) == sent

    play(world, scene)
    assert stored(world, "A012") == {}
    for box in (world.offload, world.processing):
        assert _events(box, "gone", "back") == ["gone"]


def test_a_storage_that_is_away_is_not_gone() -> None:
    """Its disk is unmounted: no roll of it is said to be gone, on any box."""
    world = World(2)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        above, _, name = STORAGE.rpartition("/")
        _by_hand(world.processing, above, lambda folder: folder.rename_new(name, "unplugged"))
        world.processing.disk.make_root(STORAGE)
        await asyncio.sleep(2 * LOOKED_S)
        assert await _waits(world.offload) is None
        assert await _waits(world.processing) is None

    play(world, scene)
    for box in (world.offload, world.processing):
        assert _events(box, "gone") == []


def test_go_on_the_offload_box_hands_it_over_again() -> None:
    """Looked at, sent, read back and published as any roll; it is the same line, and ready."""
    world = World(3)

    async def scene() -> None:
        before = await _gone(world)
        sent = _sent_bytes(world)
        await _answers(world.offload).go("A012")
        row = row_of(world.offload, "A012")
        assert row is not None
        assert row.stage is not Stage.READY, "nothing is ready before it lies there"
        await _is_ready_again(world)
        assert _sent_bytes(world) > sent
        there = stored(world, "A012")
        assert {p: d for p, d in there.items() if p.startswith("Clips")} == {
            p: d for p, d in before.items() if p.startswith("Clips")
        }
        await asyncio.sleep(2 * LOOKED_S)
        await _is_ready_again(world)
        notes = [line["note"] for line in (await _answers(world.offload).roll("A012"))["history"]]
        assert any("handed over again, as a person says" in note for note in notes)

    play(world, scene)
    world.check_nothing_false()


@pytest.mark.parametrize("where", ["offloaded anew", "under another name"])
def test_go_needs_a_folder_that_holds_it_and_takes_what_lies_there_now(where: str) -> None:
    """It says what to do without one; copied anew, with other times, or elsewhere, it will do."""
    world = World(4)

    async def scene() -> None:
        await _gone(world)
        files = world.offload.disk.files_below(f"{LANDING}/{DAY}/A012")
        _by_hand(world.offload, LANDING, lambda folder: folder.remove_tree(ROLL))
        await asyncio.sleep(5)
        with pytest.raises(NotPossibleError, match="not on the landing") as refused:
            await _answers(world.offload).go("A012")
        assert "Offload it there again" in str(refused.value)
        name = "A012" if where == "offloaded anew" else "A012b"
        put_files(world.offload, f"{LANDING}/{DAY}/{name}", files)
        touch(world, name)
        await asyncio.sleep(LOOKED_S)
        await _answers(world.offload).go("A012")
        await _is_ready_again(world)

    play(world, scene)
    assert set(world.published()) == {"A012"}
    world.check_nothing_false()
    assert "held" not in _events(world.offload, "held")


def test_what_is_not_right_any_more_on_the_landing_is_not_published() -> None:
    """A clip of the same size with other bytes: found, as in any roll, and named."""
    world = World(5)

    async def scene() -> None:
        await _gone(world)
        clip = {"Clips/C001.mov": b"?" + world.footage["A012"]["Clips/C001.mov"][1:]}
        put_files(world.offload, f"{LANDING}/{DAY}/A012", clip, replace=True)
        await _answers(world.offload).go("A012")
        held = await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)
        assert held.path == "Clips/C001.mov"

    play(world, scene)
    assert stored(world, "A012") == {}


def test_what_has_its_name_by_now_is_not_overwritten() -> None:
    """Another roll lies there: the one that comes again is held, as any other would be."""
    world = World(6)

    async def scene() -> None:
        await _gone(world)
        other = {"Clips/C001.mov": b"of another card"}
        put_files(world.processing, f"{STORAGE}/{ROLL}2", other)
        _by_hand(world.processing, STORAGE, lambda folder: folder.rename_new(f"{ROLL}2", ROLL))
        row = row_of(world.offload, "A012")
        assert row is not None
        assert row.astray is not None
        await _answers(world.offload).go("A012")
        await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH)
        assert stored(world, "A012") == other

    play(world, scene)


@pytest.mark.parametrize("how", ["copied", "copied wrong", "moved"])
def test_putting_it_back_cures_it_once_it_was_read(how: str) -> None:
    """What is as it was counts as before; a copy is read first, and held if it is wrong."""
    world = World(7)
    wrong = how == "copied wrong"

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        there = stored(world, "A012")
        if how == "moved":
            away = lambda folder: folder.rename_new(ROLL, "elsewhere")  # noqa: E731 - one of two
        else:
            away = lambda folder: folder.remove_tree(ROLL)  # noqa: E731
        _by_hand(world.processing, STORAGE, away)
        await asyncio.sleep(LOOKED_S)
        assert await _waits(world.offload) is not None
        if wrong:
            there["Clips/C001.mov"] = b"?" + there["Clips/C001.mov"][1:]
        if how == "moved":
            back = lambda folder: folder.rename_new("elsewhere", ROLL)  # noqa: E731
            _by_hand(world.processing, STORAGE, back)
        else:
            put_files(world.processing, f"{STORAGE}/{DAY}/tmp", there)
            back = lambda folder: folder.rename_new(f"{DAY}/tmp", ROLL)  # noqa: E731
            _by_hand(world.processing, STORAGE, back)
        sent = _sent_bytes(world)
        if wrong:
            held = await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH)
            assert held.path == "Clips/C001.mov"
        else:
            await _is_ready_again(world)
        assert _sent_bytes(world) == sent

    play(world, scene)
    for box in (world.offload, world.processing):
        assert _events(box, "gone", "back") == ["gone", "back"]
        assert _events(box, "held") == (["held"] if wrong else [])
    assert _events(world.processing, "ready") == ["ready"], "nobody is told of a new roll"


def test_a_roll_that_was_put_away_on_purpose_is_told_of_no_more() -> None:
    """Once a person says so on the storage's box; on both, and until it is there again."""
    world = World(8)

    async def scene() -> None:
        there = await _gone(world)
        await _answers(world.processing).go("A012")
        await asyncio.sleep(2 * LOOKED_S)
        for box in (world.offload, world.processing):
            waits = await _waits(box)
            assert waits is not None
            assert waits["code"] == "put-away"
            check = await _published_check(box)
            assert check is not None
            assert check["ok"]
            assert "1 roll put away" in check["message"]
        put_files(world.processing, f"{STORAGE}/{ROLL}", there)
        await _is_ready_again(world)

    play(world, scene)
    for box in (world.offload, world.processing):
        assert _events(box, "gone", "put-away", "back") == ["gone", "put-away", "back"]


def test_each_line_that_is_the_same_roll_is_told_so() -> None:
    """Offered again under other evidence, it is as far as that roll is: it is gone, too."""
    world = World(9)

    async def scene() -> None:
        files = clips(world)
        put_roll(world, "A012", files)
        await reaches(world, "A012")
        put_roll(world, "B007", files, evidence={"B007.sha1": listing(files, "sha1")})
        await reaches(world, "B007")
        _by_hand(world.processing, STORAGE, lambda folder: folder.remove_tree(ROLL))
        await asyncio.sleep(LOOKED_S)
        for name in ("A012", "B007"):
            waits = await _waits(world.offload, name)
            assert waits is not None
            assert waits["code"] == "gone"
        await _answers(world.offload).go("B007")
        await reaches(world, "B007")
        waits = await _waits(world.offload, "A012")
        assert waits is not None, "under that name nothing lies there"

    play(world, scene)
    assert set(world.published()) == {"B007"}


def test_a_journal_that_is_lost_meanwhile_leaves_nothing_said_for_good() -> None:
    """The storage's box knows nothing of the roll then; once it lies there, it is taken up."""
    world = World(10)

    async def scene() -> None:
        there = await _gone(world)
        await lose_journal(world, world.processing)
        await asyncio.sleep(LOOKED_S)
        waits = await _waits(world.offload)
        assert waits is not None
        assert waits["code"] == "gone"
        put_files(world.processing, f"{STORAGE}/{ROLL}", there)
        await _is_ready_again(world)
        last = (await _answers(world.offload).roll("A012"))["history"][-1]
        said = f"process-1: it is where it was published again, and as it was: {ROLL}"
        assert last["note"] == said

    play(world, scene)


def test_a_roll_that_is_back_as_the_journal_is_lost_is_said_to_be_found_again() -> None:
    """A new journal takes it up and does not know that it was gone; the offload box does."""
    world = World(13)

    async def scene() -> None:
        there = await _gone(world)
        put_files(world.processing, f"{STORAGE}/{ROLL}", there)
        await lose_journal(world, world.processing)
        await _is_ready_again(world)
        last = (await _answers(world.offload).roll("A012"))["history"][-1]
        assert last["note"] == "process-1: found on the storage again"

    play(world, scene)


@pytest.mark.parametrize("cure", ["brought back", "handed over anew"])
@pytest.mark.parametrize("lacks", [True, False], ids=["missing", "shorter"])
def test_what_a_look_finds_lacking_is_said_with_what_helps_and_that_helps(
    lacks: bool, cure: str, caplog: pytest.LogCaptureFixture
) -> None:
    """In the words of every other look; what they say is done to the letter."""
    world = World(11)
    clip = "Clips/C001.mov"

    async def scene() -> None:
        there = await _gone(world)
        wrong = {path: data for path, data in there.items() if path != clip}
        if not lacks:
            wrong[clip] = there[clip][:-1]
        put_files(world.processing, f"{STORAGE}/{ROLL}", wrong)
        size = f"{len(there[clip]):,}"
        reason = "it is missing" if lacks else f"it has {len(there[clip]) - 1:,} bytes, not {size}"
        said = (
            f"{ROLL}: {clip} on the storage of process-1 is not what was published: {reason}. The "
            "storage side is wrong; nothing is written over it. Look at the disks, bring the file "
            f"back from another copy, then `syncd go {ROLL}` on process-1. If there is none, move "
            f"{ROLL} away on the storage, wait until the roll is said to be gone, then `syncd go "
            f"{ROLL}` on the box that offloads it: it is handed over anew. Do not clear the card."
        )
        held = await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH, box=world.processing)
        assert held.message == said
        held = await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH)
        assert held.message == f"process-1: {said}"
        lines = [each for each in caplog.messages if said in each]
        assert len(lines) == 2, "one on each box"
        if cure == "brought back":
            put_files(world.processing, f"{STORAGE}/{ROLL}", {clip: there[clip]}, replace=not lacks)
            await _answers(world.processing).go("A012")
        else:
            away = lambda folder: folder.rename_new(ROLL, "away")  # noqa: E731
            _by_hand(world.processing, STORAGE, away)
            await until(lambda: _is_said_gone(world), "it is said to be gone", limit_s=LOOKED_S * 2)
            await _answers(world.offload).go("A012")
        await _is_ready_again(world)

    play(world, scene)


def _is_said_gone(world: World) -> bool:
    rows = [row_of(box, "A012") for box in (world.offload, world.processing)]
    return all(row is not None and row.astray and not row.held for row in rows)


def test_the_check_has_a_full_stop_between_what_to_do_about_wrong_and_about_gone() -> None:
    """One roll lacks a clip, another one is gone: two sentences more, and no third."""
    world = World(12)

    async def scene() -> None:
        there = await _gone(world)
        del there["Clips/C001.mov"]
        put_files(world.processing, f"{STORAGE}/{ROLL}", there)
        await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH, box=world.processing)
        put_roll(world, "B007", clips(world, count=3))
        await reaches(world, "B007")
        _by_hand(world.processing, STORAGE, lambda folder: folder.remove_tree(f"{DAY}/B007"))
        await asyncio.sleep(LOOKED_S)
        check = await _published_check(world.processing)
        assert check is not None
        assert check["remedy"] == (
            "See what is wrong with each: `syncd rolls`. See where each may be, and what to do: "
            "`syncd rolls`. Clear no card of theirs."
        )

    play(world, scene)
