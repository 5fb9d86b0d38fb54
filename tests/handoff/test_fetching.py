"""Fetching, with a third simulated box: ready rolls come to editorial whole, or not at all."""

import asyncio
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from syncd.errors import (
    NotPossibleError,
    PeerRefusedError,
    RollAmbiguousError,
    RollUnknownError,
)
from syncd.handoff import fetching
from syncd.journal import rolls
from syncd.limits import MIB, ROLL_FILES_MAX
from syncd.node_answers import NodeAnswers
from syncd.roll.inventory import FileEntry
from syncd.roll.stages import HeldCode, Stage
from syncd.wire.messages import InventoryAnswer, InventoryQuestion, PeerIdentity
from tests.faults.scenes import (
    clips,
    is_held,
    listing,
    play,
    put_files,
    put_roll,
    reaches,
    row_of,
    stored,
    until,
)
from tests.faults.world import DAY, STORAGE, World

TARGET = "/Volumes/Edit"
pytestmark = pytest.mark.usefixtures("small_parcels")


def _world(seed: int) -> World:
    world = World(seed)
    for path in (TARGET, "/Volumes/Other"):
        world.editorial.disk.make_root(path)
    return world


async def _fetch(world: World, text: str, to: str = TARGET) -> str:
    await until(lambda: world.editorial.parts, "editorial is up")
    assert world.editorial.parts is not None
    assert world.editorial.parts.fetching is not None
    return await world.editorial.parts.fetching.start(text, to)


async def _asked(world: World, text: str, to: str) -> None:
    """Do what `syncd fetch` asks the daemon of the editorial box."""
    parts: Any = world.editorial.parts
    nobody: Any = None  # neither keys nor pairing are asked for here
    answers = NodeAnswers(
        parts, world.editorial.book, nobody, 0, trusting=nobody, pairing=nobody, measuring=nobody
    )
    await answers.fetch(text, to)


def _fetched(world: World, name: str, to: str = TARGET) -> dict[str, bytes]:
    return world.editorial.disk.files_below(f"{to}/{DAY}/{name}")


@pytest.mark.parametrize("text", ["A012-copy", f"{DAY}/A012-copy"])
def test_a_name_under_which_a_roll_was_offered_again_leads_to_it(text: str) -> None:
    """What comes is the roll as it was published first, under its own name."""
    world = _world(1)

    async def scene() -> None:
        files = clips(world)
        put_roll(world, "A012", files)
        await reaches(world, "A012")
        put_roll(world, "A012-copy", files, evidence={"sums.xxh64": listing(files, "xxh64")})
        await reaches(world, "A012-copy")
        await _fetch(world, text)
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)
        await reaches(world, "A012-copy", Stage.FETCHED)
        with pytest.raises(RollUnknownError):
            await _fetch(world, "copy")

    play(world, scene, editorial=True)
    assert _fetched(world, "A012")


def test_a_fetched_roll_is_the_published_one_and_reported() -> None:
    """Every byte, the published generation included; then both other boxes know of it."""
    world = _world(1)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        await _fetch(world, f"{DAY}/A012")
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)
        await reaches(world, "A012", Stage.FETCHED)

    play(world, scene, editorial=True)
    there, here = stored(world, "A012"), _fetched(world, "A012")
    for path, data in there.items():
        if path != "ascmhl/ascmhl_chain.xml":  # gains the generation of this fetch
            assert here[path] == data, path
    assert len([path for path in here if path.endswith(".mhl")]) == 2


def test_nothing_is_visible_before_all_is_proved() -> None:
    """The folder appears at once, complete (promise 1 holds for editorial, too)."""
    world = _world(2)
    seen: list[set[str]] = []

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=10))
        await reaches(world, "A012")
        await _fetch(world, "A012")
        while not (row := row_of(world.editorial, "A012")) or row.stage is not Stage.FETCHED:
            seen.append(set(_fetched(world, "A012")))
            await asyncio.sleep(0.002)

    play(world, scene, editorial=True)
    assert len(seen) > 10
    partial = [paths for paths in seen if paths and paths != set(_fetched(world, "A012"))]
    assert not partial


@pytest.mark.parametrize("victim", ["editorial", "processing"])
def test_a_fetch_goes_on_after_either_box_lost_power(victim: str) -> None:
    """What was durable does not travel again."""
    world = _world(3)
    box = getattr(world, victim)

    async def scene() -> int:
        put_roll(world, "A012", clips(world, count=20))
        await reaches(world, "A012")
        before = world.net.bytes_sent
        await _fetch(world, "A012")
        await until(lambda: world.net.bytes_sent - before > 400_000, "it moves", every_s=0.001)
        await box.lose_power()
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)
        return world.net.bytes_sent - before

    sent = play(world, scene, editorial=True)
    assert _fetched(world, "A012").items() >= world.footage["A012"].items()
    assert sent < 20 * 60_000 * 1.4, "little travels twice"


def test_a_cut_cable_delays_a_fetch_only() -> None:
    """It goes on by itself when the cable is back."""
    world = _world(4)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=10))
        await reaches(world, "A012")
        before = world.net.bytes_sent
        await _fetch(world, "A012")
        await until(lambda: world.net.bytes_sent - before > 200_000, "it moves", every_s=0.001)
        world.net.cut()
        await asyncio.sleep(20)
        assert not _fetched(world, "A012")
        world.net.join()
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)

    play(world, scene, editorial=True)
    assert _fetched(world, "A012").items() >= world.footage["A012"].items()


def test_a_bit_that_turned_on_the_storage_never_becomes_a_fetched_roll() -> None:
    """What rotted after publishing is found by the evidence, and held here with the file's name."""
    world = _world(5)

    async def scene() -> str:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        world.processing.disk.flip(f"{STORAGE}/{DAY}/A012/Clips/C001.mov", 1234)
        await _fetch(world, "A012")
        await until(lambda: any(row.held for row in world.editorial.rows()), "it is held")
        held = world.editorial.rows()[0].held
        assert held is not None
        assert held.path == "Clips/C001.mov"
        return held.message

    assert "C001.mov" in play(world, scene, editorial=True)
    assert not _fetched(world, "A012")


def test_asking_again_for_a_roll_that_is_on_its_way_changes_nothing() -> None:
    """Whoever asks twice gets it once; another folder has to wait for the first."""
    world = _world(12)

    async def scene() -> int:
        put_roll(world, "A012", clips(world, count=20))
        await reaches(world, "A012")
        before = world.net.bytes_sent
        await _fetch(world, "A012")
        while (row := row_of(world.editorial, "A012")) is None or row.stage is not Stage.FETCHED:
            await _fetch(world, "A012")
            # Early on its way, so that it still is when the question has travelled.
            if row is not None and 0 < row.moved_bytes < row.total_bytes // 2:
                with pytest.raises(NotPossibleError, match="is being fetched to /Volumes/Edit"):
                    await _fetch(world, "A012", to="/Volumes/Other")
            await asyncio.sleep(0.002)
        return world.net.bytes_sent - before

    sent = play(world, scene, editorial=True)
    assert _fetched(world, "A012").items() >= world.footage["A012"].items()
    assert not _fetched(world, "A012", to="/Volumes/Other")
    assert sent < 20 * 60_000 * 1.4, "nothing was sent anew"


def test_a_roll_can_be_fetched_again_into_another_folder() -> None:
    """The first copy stays; asked for the same folder, nothing is done twice."""
    world = _world(6)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        await _fetch(world, "A012")
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)
        sent = world.net.bytes_sent
        await _fetch(world, "A012")
        await asyncio.sleep(10)
        assert world.net.bytes_sent - sent < 20_000
        await _fetch(world, "A012", to="/Volumes/Other")
        await until(lambda: _fetched(world, "A012", "/Volumes/Other"), "the second copy is there")
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)

    play(world, scene, editorial=True)
    first = _fetched(world, "A012")
    second = _fetched(world, "A012", "/Volumes/Other")
    assert first.items() >= world.footage["A012"].items()
    assert second.items() >= world.footage["A012"].items()


def test_a_name_that_is_taken_in_the_target_is_held() -> None:
    """What lies there is not touched."""
    world = _world(7)
    put_files(world.editorial, f"{TARGET}/{DAY}/A012", {"my edit.txt": b"mine"})

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        await _fetch(world, "A012")
        await is_held(world, "A012", HeldCode.NAME_TAKEN, box=world.editorial)

    play(world, scene, editorial=True)
    assert _fetched(world, "A012") == {"my edit.txt": b"mine"}


def test_a_target_that_is_missing_is_held_and_cured_when_it_is_there() -> None:
    """A drive that is not connected yet."""
    world = _world(8)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        world.editorial.disk.take_away(TARGET)
        await _fetch(world, "A012")
        await is_held(world, "A012", HeldCode.STORAGE_ABSENT, box=world.editorial)
        held = await is_held(world, "A012", HeldCode.STORAGE_ABSENT, box=world.editorial)
        assert "make it again" in held.message
        assert "--mark" not in held.message, "that is for a box with [storage]"
        world.editorial.disk.bring_back(TARGET)
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)

    play(world, scene, editorial=True)


def test_an_unknown_and_an_ambiguous_roll_are_told_apart() -> None:
    """Exit 1 and exit 2, and the second names which there are."""
    world = _world(9)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        files = {"C001.mov": b"another day"}
        put_files(world.offload, "/media/landing/2026-03-15_D13/A012", files)
        put_files(world.offload, "/media/landing/2026-03-15_D13/A012", {"A012.md5": listing(files)})
        assert world.offload.parts is not None
        world.offload.parts.landings[0].touched("2026-03-15_D13/A012/A012.md5")
        await until(
            lambda: sum(row.stage is Stage.READY for row in world.processing.rows()) == 2, "both"
        )
        with pytest.raises(RollUnknownError) as unknown:
            await _fetch(world, "Z999")
        assert unknown.value.exit_code == 1
        with pytest.raises(RollAmbiguousError, match="2026-03-15_D13/A012") as ambiguous:
            await _fetch(world, "A012")
        assert ambiguous.value.exit_code == 2
        await _fetch(world, f"{DAY}/A012")
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)

    play(world, scene, editorial=True)
    with world.editorial.journal.read() as db:
        assert [row.day for row in rolls.all_rolls(db)] == [DAY]


def test_a_fetch_goes_on_by_itself_when_its_source_can_be_read_again() -> None:
    """The storage that it comes from was away for a while: nobody need say `go`."""
    world = _world(10)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        world.processing.disk.take_away(STORAGE)
        await _fetch(world, "A012")
        await is_held(world, "A012", HeldCode.SOURCE_UNREADABLE, box=world.editorial)
        world.processing.disk.bring_back(STORAGE)
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)

    play(world, scene, editorial=True)
    assert _fetched(world, "A012")


def test_a_roll_is_read_from_where_it_lies_now() -> None:
    """A storage that was mounted anew since the last fetch is another folder at the same path."""
    world = _world(14)
    files = clips(world)

    async def scene() -> None:
        put_roll(world, "A012", files)
        await reaches(world, "A012")
        await _fetch(world, f"{DAY}/A012")
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)
        _lies_anew(world, f"{STORAGE}/{DAY}/A012")
        await _fetch(world, f"{DAY}/A012", "/Volumes/Other")
        await until(lambda: _fetched(world, "A012", "/Volumes/Other"), "it is fetched again")

    play(world, scene, editorial=True)
    again = _fetched(world, "A012", "/Volumes/Other")
    assert {path: again[path] for path in files} == files


def _lies_anew(world: World, folder: str) -> None:
    """Let the same files lie in another folder at this path; the one before cannot be read."""
    disk = world.processing.disk
    files = disk.files_below(folder)
    with disk.untroubled():
        root = disk.open_folder("/")
        root.rename_new(folder.strip("/"), "gone")
        put_files(world.processing, folder, files)
        for path in files:
            before = root.stat(f"gone/{path}")
            assert before is not None
            file = root.open_write(f"{folder}/{path}".strip("/"))
            file.set_mtime(before.mtime_ns)
            file.close()
            root.remove_file(f"gone/{path}")


def test_a_folder_that_is_not_there_is_refused_at_once() -> None:
    """Nothing is held for it: the person who named it is there, and is told what to do."""
    world = _world(1)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        with pytest.raises(NotPossibleError, match="/Volumes/Edti cannot be fetched into") as said:
            await _asked(world, "A012", "/Volumes/Edti")
        assert "Make it, or mount" in said.value.remedy
        assert world.editorial.rows() == []
        await _asked(world, "A012", TARGET)
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)

    play(world, scene, editorial=True)


def _a_roll_without_end(answer: InventoryAnswer, question: InventoryQuestion) -> InventoryAnswer:
    """One page after the other, each with other names, and always one more."""
    files = tuple(FileEntry(f"{question.first + n:09}", 1, 1, ()) for n in range(1000))
    head = replace(answer.head, file_count=ROLL_FILES_MAX)
    return replace(answer, head=head, first=question.first, files=files, more=True)


def _a_size_that_nobody_has(answer: InventoryAnswer, _: InventoryQuestion) -> InventoryAnswer:
    files = (replace(answer.files[0], size_bytes=1 << 62), *answer.files[1:])
    return replace(answer, files=files)


def test_a_box_that_tells_of_a_roll_file_by_file_is_not_listened_to_for_ever(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Every page is as it should be, and there is always one more: the person is told."""
    monkeypatch.setattr(fetching, "INVENTORY_SAID_S_MAX", 20.0)
    world = _world(6)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        assert world.processing.parts is not None
        desk = world.processing.parts.desk
        own = desk._answer

        async def slowly(peer: PeerIdentity, question: Any) -> Any:
            answer = await own(peer, question)
            if not isinstance(question, InventoryQuestion):
                return answer
            await asyncio.sleep(1.0)
            head = replace(answer.head, file_count=ROLL_FILES_MAX)
            files = (FileEntry(f"{question.first:09}", 1, 1, ()),)
            return replace(answer, head=head, first=question.first, files=files, more=True)

        began_s = asyncio.get_running_loop().time()
        with monkeypatch.context() as patch:
            patch.setattr(desk, "_answer", slowly)
            with pytest.raises(PeerRefusedError, match="has not said within"):
                await _fetch(world, "A012")
        assert 20.0 <= asyncio.get_running_loop().time() - began_s < 25.0
        assert world.editorial.rows() == []

    play(world, scene, editorial=True)


@pytest.mark.parametrize("lie", [_a_roll_without_end, _a_size_that_nobody_has])
def test_an_inventory_that_cannot_be_right_is_not_fetched_and_takes_no_memory(
    lie: Callable[..., InventoryAnswer], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever the other box writes: the person is told, and both boxes go on."""
    monkeypatch.setattr(fetching, "PENDING_TEXT_BYTES_MAX", 100_000)
    world = _world(6)
    asked: list[int] = []

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        assert world.processing.parts is not None
        desk = world.processing.parts.desk
        own = desk._paging.answer

        def lying(question: InventoryQuestion) -> InventoryAnswer:
            asked.append(question.first)
            return lie(own(InventoryQuestion(roll_id=question.roll_id)), question)

        with monkeypatch.context() as patch:
            patch.setattr(desk._paging, "answer", lying)
            with pytest.raises(PeerRefusedError, match="cannot be right"):
                await _fetch(world, "A012")
        assert len(asked) < 20
        assert world.editorial.rows() == []
        await _fetch(world, "A012")
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)

    tracemalloc.start()
    try:
        play(world, scene, editorial=True)
        _, most_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most_bytes < 64 * MIB
