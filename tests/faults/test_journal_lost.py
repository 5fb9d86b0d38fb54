"""Journals lost in the middle of a simulated day: every roll arrives, and little travels twice.

A box whose journal is lost starts with an empty one; its landing or storage is as it was.
"""

import asyncio

import pytest

from syncd.journal import notices, rolls
from syncd.journal.journal import Journal
from syncd.limits import RECORD_SYNC_PARCELS, UNCONFIRMED_PARCELS_MAX
from syncd.roll.inventory import Trust
from syncd.roll.stages import HeldCode, Stage
from tests.faults.scenes import (
    SMALL,
    clips,
    cut_small,
    is_held,
    is_up,
    listing,
    lose_journal,
    moves,
    order_by_hand,
    play,
    put_files,
    put_roll,
    reaches,
    row_of,
    stored,
    until,
)
from tests.faults.world import DAY, LANDING, STORAGE, World

INCOMING = f"{STORAGE}/.syncd/incoming"


@pytest.fixture(autouse=True)
def small_parcels(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut rolls finely."""
    cut_small(monkeypatch)


def payload_bytes(world: World) -> int:
    """Return how many bytes of files the offload box has put on lanes since it last started."""
    assert world.offload.parts is not None
    assert world.offload.parts.handover is not None
    return world.offload.parts.handover.stats.payload_bytes


def total_bytes(world: World) -> int:
    """Return the media's size of all rolls."""
    return sum(len(data) for files in world.footage.values() for data in files.values())


BOXES = {
    "offload": lambda world: [world.offload],
    "processing": lambda world: [world.processing],
    "both": lambda world: [world.offload, world.processing],
}


@pytest.mark.parametrize("who", BOXES)
@pytest.mark.parametrize("trust", Trust)
@pytest.mark.parametrize("when", ["before", "middle", "reading-back", "after"])
def test_a_lost_journal_loses_no_roll(who: str, when: str, trust: Trust) -> None:
    """Whichever box, whenever: both rolls are ready on both, once, and right."""
    world = World(11, trust=trust)
    evidence: dict[str, bytes] | None = {} if trust is Trust.SETTLED else None

    async def scene() -> None:
        put_roll(world, "A012", clips(world), evidence=evidence)
        if when == "middle":
            await moves(world, "A012", 40_000)
        elif when == "reading-back":
            await reaches(world, "A012", Stage.READING_BACK, box=world.processing)
        elif when == "after":
            await reaches(world, "A012")
        await lose_journal(world, *BOXES[who](world))
        put_roll(world, "B007", clips(world), evidence=evidence)
        await until(world.all_ready, f"all is ready: {world.stages()}")

    play(world, scene)
    world.check_nothing_false()
    assert set(world.published()) == {"A012", "B007"}


@pytest.mark.parametrize("when", ["middle", "after"])
def test_a_new_processing_box_asks_only_for_what_is_lacking(when: str) -> None:
    """What the storage has is proved by reading it; it does not travel again."""
    world = World(12)

    async def scene() -> int:
        put_roll(world, "A012", clips(world, 4, 100_000))
        if when == "middle":
            await moves(world, "A012", 200_000)
        else:
            await reaches(world, "A012")
        await lose_journal(world, world.processing)
        await reaches(world, "A012", box=world.processing)
        await until(world.all_ready, "all is ready")
        return payload_bytes(world)

    sent = play(world, scene)
    world.check_nothing_false()
    # Confirmed or not: what the list of parcels had not been synced for, and two lanes' windows.
    again_max = (RECORD_SYNC_PARCELS + 2 * UNCONFIRMED_PARCELS_MAX) * SMALL["PARCEL_BYTES_MAX"]
    assert sent <= total_bytes(world) + 1000 + again_max


def test_a_roll_known_from_its_record_is_not_told_again() -> None:
    """Everybody was told before: taken up quietly, ready, with where it came from."""
    world = World(13)

    async def scene() -> list[str]:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        await asyncio.sleep(5.0)  # long enough for it to be noted who was told
        world.net.cut()
        await lose_journal(world, world.processing)
        row = await reaches(world, "A012", box=world.processing)
        assert row.peer == "offload-1"
        with world.processing.journal.read() as db:
            return [notice.kind for notice in notices.after(db, 0)]

    assert play(world, scene) == ["adopted", "note"]


def test_a_roll_that_nobody_was_told_of_is_told_as_new() -> None:
    """At least once: without the mark that all were told, `ready` is said (again)."""
    world = World(13)

    async def scene() -> list[str]:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        await asyncio.sleep(5.0)
        world.net.cut()
        await world.processing.lose_power()
        world.processing.journal = Journal(None)
        roll_id = row_of(world.offload, "A012").roll_id  # type: ignore[union-attr]
        with world.processing.disk.untroubled():
            folder = world.processing.disk.open_folder(STORAGE)
            folder.remove_file(f".syncd/rolls/{roll_id}.told")
        await reaches(world, "A012", box=world.processing)
        with world.processing.journal.read() as db:
            return [notice.kind for notice in notices.after(db, 0)]

    assert play(world, scene) == ["ready", "note"]


def test_a_published_roll_that_rotted_meanwhile_is_held_and_named() -> None:
    """What does not read back as it was published is not listed as ready; mended, it is."""
    world = World(14)

    async def scene() -> None:
        files = clips(world)
        put_roll(world, "A012", files)
        await reaches(world, "A012")
        world.net.cut()
        path = f"{STORAGE}/{DAY}/A012/Clips/C001.mov"
        world.processing.disk.flip(path, 500)
        await lose_journal(world, world.processing)
        held = await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH, box=world.processing)
        assert held.path == "Clips/C001.mov"
        world.processing.disk.flip(path, 500)
        order_by_hand(world.processing, "A012", go=True)
        await reaches(world, "A012", box=world.processing)

    play(world, scene)
    world.check_nothing_false()


def _rubbish(world: World, path: str) -> None:
    put_files(
        world.processing,
        path.rpartition("/")[0],
        {path.rpartition("/")[2]: b"x" * 500},
        replace=True,
    )


def _parcels(world: World) -> str:
    return next(p for p in world.processing.disk.files_below(INCOMING) if p.endswith("/parcels"))


@pytest.mark.parametrize("record", ["inventory", "parcels"])
def test_a_record_that_is_rubbish_is_not_believed(record: str) -> None:
    """Then the roll is received anew; nothing false comes of it."""
    world = World(15)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await moves(world, "A012", 40_000)
        world.net.cut()
        await world.processing.lose_power()
        folder = _parcels(world).rpartition("/")[0]
        _rubbish(world, f"{INCOMING}/{folder}/{record}")
        world.processing.journal = Journal(None)
        await asyncio.sleep(10.0)
        world.net.join()
        await until(world.all_ready, "all is ready")

    play(world, scene)
    world.check_nothing_false()
    assert stored(world, "A012")


def test_what_nobody_knows_in_incoming_is_named_and_left() -> None:
    """With its size and what to do; syncd removes nothing that it has not proved elsewhere."""
    world = World(16)

    async def scene() -> str:
        put_files(world.processing, f"{INCOMING}/left-over/roll", {"C001.mov": b"m" * 70_000})
        await lose_journal(world, world.processing)
        await asyncio.sleep(5.0)
        assert world.processing.parts is not None
        assert world.processing.parts.adopting is not None
        return world.processing.parts.adopting.problem()

    problem = play(world, scene)
    assert "left-over (70 kB)" in problem
    assert world.processing.disk.files_below(INCOMING) == {"left-over/roll/C001.mov": b"m" * 70_000}


def test_an_older_copy_of_the_journal_is_no_reason_to_take_a_roll_for_another() -> None:
    """A journal of this morning says it is under way; the storage says it is published."""
    world = World(17)

    async def scene() -> int:
        put_roll(world, "A012", clips(world))
        await moves(world, "A012", 20_000)
        older = Journal(None)
        with world.processing.journal.read() as db, older.read() as copy:
            db.backup(copy)
        await reaches(world, "A012")
        await world.processing.lose_power()
        world.processing.journal = older
        await reaches(world, "A012", box=world.processing)
        return payload_bytes(world)

    sent = play(world, scene)
    world.check_nothing_false()
    assert sent <= 1.5 * total_bytes(world)


def test_editorial_has_what_it_fetched_before_its_journal_was_lost() -> None:
    """Fetched again: it is compared with what is there, and does not travel."""
    world = World(18)
    target = "/edit/rushes"

    async def fetch() -> int:
        parts = world.editorial.parts
        assert parts is not None
        assert parts.fetching is not None
        await parts.fetching.start("A012", target)
        await reaches(world, "A012", Stage.FETCHED, box=world.editorial)
        assert world.processing.parts is not None
        return world.processing.parts.stats.payload_bytes

    async def scene() -> tuple[int, int]:
        world.editorial.disk.make_root(target)
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        first = await fetch()
        await lose_journal(world, world.editorial)
        await until(lambda: is_up(world, world.editorial), "it is back")
        return first, await fetch()

    first, again = play(world, scene, editorial=True)
    assert again == first > 0


def test_rank_and_pause_are_what_is_lost() -> None:
    """The offload box scans anew: the roll goes with the rank of the rules, and is not paused."""
    world = World(19)

    async def scene() -> None:
        world.net.cut()
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012", Stage.VERIFIED)
        order_by_hand(world.offload, "A012", rank=3, paused=True)
        await lose_journal(world, world.offload)
        row = await reaches(world, "A012", Stage.VERIFIED)
        assert (row.rank, row.paused) == (rolls.RANK_DEFAULT, False)
        world.net.join()
        await until(world.all_ready, "all is ready")

    play(world, scene)
    world.check_nothing_false()


def test_a_begun_roll_that_nobody_brings_any_more_bars_no_other() -> None:
    """Both journals lost after a roll was offloaded anew under its name: the new one arrives."""
    world = World(20)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await moves(world, "A012", 40_000)
        world.net.cut()
        anew = clips(world)
        files = anew | {"A012.md5": listing(anew)}
        put_files(world.offload, f"{LANDING}/{DAY}/A012", files, replace=True)
        world.footage["A012"] = anew
        await lose_journal(world, world.offload, world.processing)
        await reaches(world, "A012", Stage.VERIFIED)
        await asyncio.sleep(5.0)
        world.net.join()
        await reaches(world, "A012")

    play(world, scene)
    world.check_nothing_false()
    assert set(world.published()) == {"A012"}


SEEDS = range(40)


def _lose_at_random(seed: int) -> World:
    """Let three rolls arrive while journals are lost, and cables cut, as the seed has it."""
    world = World(seed)
    rng = world.rng

    async def trouble() -> None:
        for _ in range(rng.randrange(1, 5)):
            await asyncio.sleep(rng.uniform(0.0, 3.0) ** 2 / 3)
            if rng.random() < 0.3:
                world.net.cut()
                await asyncio.sleep(rng.uniform(0.1, 2.0))
            await lose_journal(world, *BOXES[rng.choice(list(BOXES))](world))
            world.net.join()

    async def scene() -> None:
        mischief = asyncio.create_task(trouble())
        for name in ("A012", "B007", "S003"):
            put_roll(world, name, clips(world, rng.randrange(1, 4), rng.randrange(100, 90_000)))
            await asyncio.sleep(rng.uniform(0.0, 2.0))
        await mischief
        await until(world.all_ready, f"seed {seed}: all is ready")

    try:
        play(world, scene)
    except AssertionError as error:
        raise AssertionError(f"seed {seed}: {error}: {world.stages()}") from error
    world.check_nothing_false()
    return world


@pytest.mark.parametrize("first", SEEDS[::10])
def test_journals_lost_again_and_again_lose_no_roll(first: int) -> None:
    """Whoever loses a journal, however often: everything arrives, and nothing false."""
    for seed in range(first, first + 10):
        _lose_at_random(seed)


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_journals_lost_with_a_thousand_seeds() -> None:
    """The same, for longer."""
    for seed in range(1000, 2000):
        _lose_at_random(seed)
