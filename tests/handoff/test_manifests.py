"""Manifests of a published roll that are not as they were: found, said truly, and to be mended.

However it is found: as the roll is there again, by a new journal, by a fetch, or at an offer. What
another tool adds to a history is no fault (ASC MHL specification v1.0, 5.6.4 and 7.4: who verifies
appends a generation, and the chain names all of them in order).
"""

import asyncio

import pytest

from syncd.errors import PeerRefusedError
from syncd.evidence.ascmhl_history import read_histories
from syncd.evidence.ascmhl_write import SealedFile, next_generation
from syncd.evidence.hashers import digest_of
from syncd.journal import notices
from syncd.roll.digests import Algorithm
from syncd.roll.stages import HeldCode, Stage
from tests.faults.scenes import (
    answers_of,
    clips,
    is_held,
    lose_journal,
    play,
    put_files,
    put_roll,
    reaches,
    row_of,
    stored,
    until,
)
from tests.faults.world import DAY, STORAGE, World

ROLL = f"{DAY}/A012"
CHAIN = "ascmhl/ascmhl_chain.xml"
TARGET = "/Volumes/Edit"
LOOKED_S = 70  # published rolls are looked for once a minute
WRONG = HeldCode.READ_BACK_MISMATCH
pytestmark = pytest.mark.usefixtures("small_parcels")


def _generation(files: dict[str, bytes], *, at_utc_ms: int) -> dict[str, bytes]:
    """Return what a tool writes that verifies files, which have a history or begin one."""
    media = {path: data for path, data in files.items() if not path.startswith("ascmhl/")}
    new = next_generation(
        "A012",
        [
            SealedFile(path, len(data), 10**18, (digest_of(Algorithm.MD5, data),))
            for path, data in sorted(media.items())
        ],
        read_histories(files, files.__getitem__),
        host_name="dit-1",
        tool_version="1",
        started_utc_ms=at_utc_ms,
    )
    return {file.path: b"".join(file.parts) for file in new}


def _remove(world: World, path: str) -> None:
    with world.processing.disk.untroubled():
        world.processing.disk.open_folder(STORAGE).remove_tree(path)
        world.processing.disk.settle()


def _put(world: World, files: dict[str, bytes]) -> None:
    put_files(world.processing, f"{STORAGE}/{ROLL}", files, replace=True)


def _is_well(world: World) -> bool:
    rows = [row_of(box, "A012") for box in (world.offload, world.processing)]
    return all(row and row.stage is Stage.READY and not (row.held or row.astray) for row in rows)


async def _is_gone(world: World) -> None:
    """Wait until both boxes say, as the remedy has it, that the roll is gone."""

    def is_said() -> bool:
        rows = [row_of(box, "A012") for box in (world.offload, world.processing)]
        return all(row is not None and row.astray and not row.held for row in rows)

    await until(is_said, "it is said to be gone", limit_s=2 * LOOKED_S)


async def _ready(world: World, has_history: bool) -> dict[str, bytes]:
    """Let a roll become ready, offloaded with a history or with a list; return what lies there."""
    files = clips(world)
    put_roll(
        world,
        "A012",
        files,
        evidence=_generation(files, at_utc_ms=1_773_500_000_000) if has_history else None,
    )
    await reaches(world, "A012")
    await asyncio.sleep(5)  # long enough for it to be noted who was told
    return stored(world, "A012")


async def _hand_over_anew(world: World) -> None:
    """Do what the remedy says where no other copy is left."""
    _remove(world, ROLL)
    await _is_gone(world)
    await answers_of(world.offload).go("A012")
    await until(lambda: _is_well(world), "it is ready again")


def _check_said(message: str) -> None:
    assert "all media on the storage of process-1 are as they were published" in message
    assert f"move {ROLL} away on the storage" in message
    assert f"`syncd go {ROLL}` on the box that offloads it" in message


@pytest.mark.parametrize("has_history", [True, False], ids=["history", "list"])
@pytest.mark.parametrize("is_journal_lost", [True, False], ids=["new journal", "live"])
@pytest.mark.parametrize("cure", ["handed over anew", "brought back"])
def test_an_older_copy_put_back_is_held_for_its_manifest(
    has_history: bool, is_journal_lost: bool, cure: str
) -> None:
    """Published twice, each with a manifest of its own: the first copy lacks that of the second."""
    world = World(1)

    async def scene() -> None:
        first = await _ready(world, has_history)
        await _hand_over_anew(world)
        second = stored(world, "A012")
        (lacking,) = second.keys() - first.keys()
        assert lacking.startswith("ascmhl/000")
        await asyncio.sleep(5)
        _remove(world, ROLL)
        await _is_gone(world)
        if is_journal_lost:
            await lose_journal(world, world.processing)
        _put(world, first)
        for box in (world.processing, world.offload):
            held = await is_held(world, "A012", WRONG, box=box)
            assert held.path == lacking
            assert f"this is not: manifest {lacking} (it is missing), chain of manifests" in (
                held.message
            )
            _check_said(held.message)
        await asyncio.sleep(2 * LOOKED_S)
        row = row_of(world.processing, "A012")
        assert row is not None
        assert row.held is not None
        assert stored(world, "A012") == first, "nothing is written there"
        if cure == "handed over anew":
            await _hand_over_anew(world)
        else:  # both files that are named, one after the other
            _put(world, {lacking: second[lacking]})
            await until(lambda: _held_path(world) == CHAIN, "its chain alone is named")
            _put(world, {CHAIN: second[CHAIN]})
            await until(lambda: _is_well(world), "it is ready again", limit_s=30)
        await asyncio.sleep(2 * LOOKED_S)
        assert _is_well(world)

    play(world, scene)
    world.check_nothing_false()


def _held_path(world: World) -> str | None:
    row = row_of(world.processing, "A012")
    return row.held.path if row is not None and row.held is not None else None


@pytest.mark.parametrize("how", ["gone and back", "new journal"])
def test_a_generation_that_another_tool_adds_is_no_fault(how: str) -> None:
    """Whichever look comes first: all that was there is there, and the chain names it as before."""
    world = World(2)

    async def scene() -> None:
        there = await _ready(world, has_history=True)
        added = _generation(there, at_utc_ms=1_900_000_000_000)
        assert len(added) == 2
        _put(world, added)
        if how == "gone and back":
            _remove(world, ROLL)
            await _is_gone(world)
            _put(world, {**there, **added})
        else:
            await lose_journal(world, world.processing)
            await reaches(world, "A012", box=world.processing)
        await until(lambda: _is_well(world), "it is ready again")
        assert stored(world, "A012") == {**there, **added}

    play(world, scene)
    assert "held" not in _kinds(world)


def test_a_fetch_after_another_tool_added_a_generation_blames_no_storage() -> None:
    """What it asks for is not there any more as it was; nothing is wrong where it was published."""
    world = World(7)
    world.editorial.disk.make_root(TARGET)

    async def scene() -> None:
        there = await _ready(world, has_history=True)
        _put(world, _generation(there, at_utc_ms=1_900_000_000_000))
        await until(lambda: world.editorial.parts, "editorial is up")
        fetching = world.editorial.parts.fetching  # type: ignore[union-attr]
        assert fetching is not None
        await fetching.start(ROLL, TARGET)
        held = await is_held(world, "A012", HeldCode.SOURCE_CHANGED, box=world.editorial)
        assert held.path == CHAIN
        assert _is_well(world)

    play(world, scene, editorial=True)
    assert "held" not in _kinds(world)


@pytest.mark.parametrize("how", ["gone and back", "new journal"])
def test_a_chain_that_does_not_name_what_was_there_is_held(how: str) -> None:
    """Written anew by a tool that knew nothing of our generation: its history is lost in it."""
    world = World(3)

    async def scene() -> None:
        there = await _ready(world, has_history=True)
        mine = max(path for path in there if path.endswith("Z.mhl"))
        without = {p: d for p, d in there.items() if p not in (CHAIN, mine)}
        (begun,) = (path for path in without if path.startswith("ascmhl/0001"))
        shot = _generation(
            {path: data for path, data in without.items() if path != begun},
            at_utc_ms=1_773_500_000_000,
        )
        assert shot[begun] == there[begun], "the chain that the card came with"
        if how == "gone and back":
            _remove(world, ROLL)
            await _is_gone(world)
            _put(world, {**there, CHAIN: shot[CHAIN]})
        else:
            _put(world, {CHAIN: shot[CHAIN]})
            await lose_journal(world, world.processing)
        held = await is_held(world, "A012", WRONG, box=world.processing)
        assert held.path == CHAIN
        assert "their chain of manifests" in held.message
        _put(world, {CHAIN: there[CHAIN]})
        await until(lambda: _is_well(world), "it is ready again", limit_s=30)

    play(world, scene)


def test_a_folder_of_manifests_that_somebody_deleted_is_found_by_a_fetch() -> None:
    """Held where it was published, and so said to editorial; brought back, with other times."""
    world = World(4)
    world.editorial.disk.make_root(TARGET)

    async def scene() -> None:
        there = await _ready(world, has_history=False)
        history = {path: data for path, data in there.items() if path.startswith("ascmhl/")}
        _remove(world, f"{ROLL}/ascmhl")
        await until(lambda: world.editorial.parts, "editorial is up")
        fetching = world.editorial.parts.fetching  # type: ignore[union-attr]
        assert fetching is not None
        await fetching.start(ROLL, TARGET)
        held = await is_held(world, "A012", WRONG, box=world.processing)
        manifest = held.path
        assert held.message == (
            f"{ROLL}: all media on the storage of process-1 are as they were published; of what "
            f"goes with them this is not: manifest {manifest} (it is missing), chain of manifests "
            f"{CHAIN} (it is missing). Nothing is written over them. Bring them back from another "
            f"copy, then `syncd go {ROLL}` on process-1. If there is none, move {ROLL} away on the "
            f"storage, wait until the roll is said to be gone, then `syncd go {ROLL}` on the box "
            "that offloads it: it is handed over anew. Do not clear the card."
        )
        await is_held(world, "A012", WRONG, box=world.editorial)
        with pytest.raises(PeerRefusedError, match="is held on process-1"):
            await fetching.start(ROLL, TARGET)
        _put(world, history)
        await until(lambda: _is_well(world), "it is ready again", limit_s=30)
        await fetching.start(ROLL, TARGET)
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)

    play(world, scene, editorial=True)


def test_a_folder_of_manifests_that_somebody_deleted_is_found_at_an_offer() -> None:
    """The offload box knows nothing any more, and is not told that all is as it was."""
    world = World(5)

    async def scene() -> None:
        there = await _ready(world, has_history=True)
        _remove(world, f"{ROLL}/ascmhl")
        await lose_journal(world, world.offload)
        held = await is_held(world, "A012", WRONG)
        assert "all media on the storage of process-1 are as they were published" in held.message
        assert held.message.count("(it is missing)") == 3, "both manifests and the chain, at once"
        await is_held(world, "A012", WRONG, box=world.processing)
        await asyncio.sleep(5)
        _put(world, {path: data for path, data in there.items() if path.startswith("ascmhl/")})
        await until(lambda: _is_well(world), "it is ready again")

    play(world, scene)


def test_a_wrong_roll_that_was_away_for_a_moment_stays_held() -> None:
    """Too short to be said to be gone, so nobody would read it again: the hold must not end."""
    world = World(6)

    async def scene() -> None:
        there = await _ready(world, has_history=False)
        _remove(world, ROLL)
        await _is_gone(world)
        clip = "Clips/C001.mov"
        rotten = {**there, clip: b"?" + there[clip][1:]}
        _put(world, rotten)
        await is_held(world, "A012", WRONG, box=world.processing)
        await until(lambda: not row_of(world.processing, "A012").astray, "it is back")  # type: ignore[union-attr]
        _remove(world, ROLL)
        await asyncio.sleep(20)
        _put(world, rotten)
        await asyncio.sleep(3 * LOOKED_S)
        assert _held_path(world) == clip

    play(world, scene)


def _kinds(world: World) -> list[str]:
    with world.processing.journal.read() as db:
        return [notice.kind for notice in notices.after(db, 0)]
