"""One content offered twice while both are under way, and what both offers hear from then on."""

import asyncio
import random
from dataclasses import replace

import pytest

from syncd.board.answers import find_one
from syncd.config.shapes import PeerConfig
from syncd.journal import history, notices, rolls
from syncd.journal.rolls import RollRow
from syncd.roll.stages import Stage, is_before
from syncd.storage import reading
from tests.faults.scenes import (
    alive,
    clips,
    listing,
    order_by_hand,
    play,
    put_files,
    put_roll,
    reaches,
    stored,
    until,
)
from tests.faults.sim_disk import SimDisk
from tests.faults.virtual_time import run_simulated
from tests.faults.world import (
    DAY,
    LANDING,
    STORAGE,
    Box,
    World,
    fingerprint_of,
    offload_config,
)

INCOMING = f"{STORAGE}/.syncd/incoming"
pytestmark = pytest.mark.usefixtures("small_parcels")


def told(box: Box) -> list[str]:
    """Return what a box has told as landed, ready or held, by name."""
    with box.journal.read() as db:
        found = notices.after(db, 0, limit=1000, kinds={"landed", "ready", "held"})
    return [f"{notice.kind} {notice.body['roll']['name']}" for notice in found]


def is_ready(box: Box, name: str) -> bool:
    """Tell whether a box has all rolls of that name as ready, and one at least."""
    rows = [row for row in box.rows() if row.name == name and row.source_path is not None]
    return bool(rows) and not any(is_before(row.stage, Stage.READY) or row.held for row in rows)


def clips_stored(world: World) -> int:
    """Return how many clips lie on the storage, published or not."""
    return sum(path.endswith(".mov") for path in world.processing.disk.files_below(STORAGE))


def published_row(world: World) -> RollRow:
    """Return the one row of the storage's box that leads to no other."""
    (row,) = [row for row in world.processing.rows() if row.same_as is None]
    return row


def second_box(world: World) -> Box:
    """Pair another offload box with the storage's box."""
    peer = PeerConfig(name="offload-2", fingerprint=fingerprint_of("offload-2"))
    own = world.processing
    config = replace(own.config, peers=(*own.config.peers, peer))
    world.processing = Box(
        own.name, config, own.disk, world.net, own.rng, subscribers=own.subscribers
    )
    plan = offload_config()
    plan = replace(plan, node=replace(plan.node, name="offload-2"))
    box = Box("offload-2", plan, SimDisk(), world.net, random.Random(2))
    box.disk.make_root(LANDING)
    return box


def offer_at(box: Box, name: str, files: dict[str, bytes]) -> None:
    """Let a roll, evidence and all, appear on a box's landing."""
    put_files(box, f"{LANDING}/{DAY}/{name}", files)
    if box.parts is not None:
        box.parts.landings[0].touched(f"{DAY}/{name}/anything")


async def under_way(world: World, files: dict[str, bytes], *names: str) -> None:
    """Have one content taken under several names, each with other evidence, then let all go."""
    algorithms = ("md5", "xxh64", "sha1")
    order_by_hand(world.offload, None, paused=True)
    for name, algorithm in zip(names, algorithms, strict=False):
        put_roll(world, name, files, evidence={f"{name}.{algorithm}": listing(files, algorithm)})
    await until(lambda: len(world.processing.rows()) == len(names), "all are taken")
    order_by_hand(world.offload, None, paused=False)


@pytest.mark.parametrize("first", ["A012", "A012-copy"])
def test_one_content_under_two_names_at_a_time_is_published_and_told_once(first: str) -> None:
    """Both travel; the one that is proved first is the roll, and the other one leads to it."""
    world = World(60)
    files = clips(world, count=3)

    async def scene() -> None:
        await under_way(world, files, "A012", "A012-copy")
        order_by_hand(world.offload, first, rank=1)
        await until(
            lambda: is_ready(world.offload, "A012") and is_ready(world.offload, "A012-copy"),
            "both are ready",
        )
        await world.processing.lose_power()
        await until(lambda: not world.processing.is_down, "it is back")
        await asyncio.sleep(120.0)

    play(world, scene)
    row = published_row(world)
    assert row.name == first
    assert told(world.processing) == [f"landed {first}", f"ready {first}"]
    assert clips_stored(world) == len(files)
    assert not world.processing.disk.files_below(INCOMING)
    with world.processing.journal.read() as db:
        for name in ("A012", "A012-copy"):
            assert find_one(db, name).roll_id == row.roll_id
        notes = [line.note for line in history.read(db, row.roll_id)]
    second = "A012-copy" if first == "A012" else "A012"
    offered = [note for note in notes if "offered again by offload-1" in note]
    assert len(offered) == 1
    assert f"as {DAY}/{second} (" in offered[0]


def test_one_content_from_two_boxes_at_a_time_is_published_once_and_followed_by_both() -> None:
    """What becomes of the roll later is told to the box whose offer only leads to it, too."""
    world = World(61)
    files = clips(world, count=3)

    async def scene(other: Box) -> None:
        async with alive(world.offload, world.processing, other):
            put_roll(world, "A012", files)
            offer_at(other, "A012_card2", {**files, "sums.xxh64": listing(files, "xxh64")})
            await until(
                lambda: is_ready(world.offload, "A012") and is_ready(other, "A012_card2"),
                "both are ready",
            )
            row = published_row(world)
            for stage in (Stage.TRANSCODING, Stage.DAILIES):
                with world.processing.journal.write() as db:
                    rolls.set_stage(db, row.roll_id, stage, now_utc_ms=1)
            await until(
                lambda: all(
                    each.stage is Stage.DAILIES for each in (*world.offload.rows(), *other.rows())
                ),
                "both boxes follow",
            )

    other = second_box(world)
    run_simulated(scene(other), limit_s=2000.0)
    assert clips_stored(world) == len(files)
    assert len(world.processing.rows()) == 2


def test_what_is_offered_again_later_is_as_far_as_the_roll_is() -> None:
    """Offered when the first is at dailies: so is this, at once, and later fetched."""
    world = World(62)
    files = clips(world, count=2)

    async def scene() -> None:
        put_roll(world, "A012", files)
        first = await reaches(world, "A012")
        with world.processing.journal.write() as db:
            rolls.set_stage(db, first.roll_id, Stage.DAILIES, now_utc_ms=1)
        put_roll(world, "A012-copy", files, evidence={"sums.xxh64": listing(files, "xxh64")})
        await reaches(world, "A012-copy", Stage.DAILIES)
        with world.processing.journal.write() as db:
            rolls.set_stage(db, first.roll_id, Stage.FETCHED, now_utc_ms=1)
        await reaches(world, "A012-copy", Stage.FETCHED)

    play(world, scene)
    assert told(world.processing) == ["landed A012", "ready A012"]


def test_one_that_was_taken_away_meanwhile_is_not_led_to() -> None:
    """The copy under way is the only one then, and is published under its own name."""
    world = World(63)
    files = clips(world, count=3)

    async def scene() -> None:
        await under_way(world, files, "A012", "A013")
        order_by_hand(world.offload, "A013", paused=True)
        await reaches(world, "A012")
        _take_away(world, "A012")
        order_by_hand(world.offload, "A013", paused=False)
        await reaches(world, "A013")

    play(world, scene)
    assert {path: stored(world, "A013")[path] for path in files} == files


def test_names_sizes_and_digests_decide_without_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    """Both were read back: the published one is not read again for the other's sake."""
    world = World(64)
    files = clips(world, count=3)
    read: list[str] = []
    hash_stored = reading.hash_stored

    def noting(*args: object, **more: object) -> object:
        read.append(str(args[2]))
        return hash_stored(*args, **more)  # type: ignore[arg-type]

    monkeypatch.setattr("syncd.storage.same.hash_stored", noting)

    async def scene() -> None:
        await under_way(world, files, "A012", "A013")
        await until(
            lambda: is_ready(world.offload, "A012") and is_ready(world.offload, "A013"), "ready"
        )

    play(world, scene)
    assert len(world.processing.rows()) == 2
    assert published_row(world).roll_id
    assert read == []


def test_two_boxes_with_one_id_and_different_lists_come_to_an_end() -> None:
    """They do not take turns in having it cut anew: the second one waits, and it is one roll."""
    world = World(65)
    files = clips(world, count=40)
    mine, theirs = listing(files), b"# from the second cart\n" + listing(files)

    async def scene(other: Box) -> None:
        async with alive(world.offload, world.processing, other):
            world.net.delay_s = lambda: 0.08  # type: ignore[method-assign]
            put_roll(world, "A012", files, evidence={"A012.md5": mine})
            offer_at(other, "A012", {**files, "A012.md5": theirs})
            await until(
                lambda: is_ready(world.offload, "A012") and is_ready(other, "A012"),
                "both are ready",
                limit_s=60.0,
            )
            (row,) = world.processing.rows()
            notes = [line.note for line in world.processing.history(row.roll_id)]
            assert not any("its evidence changed" in note for note in notes)

    other = second_box(world)
    run_simulated(scene(other), limit_s=2000.0)
    there = stored(world, "A012")
    assert {path: there[path] for path in files} == files
    assert there["A012.md5"] in (mine, theirs)
    assert told(world.processing) == ["landed A012", "ready A012"]
    assert not any("held" in text for text in (*told(world.offload), *told(other)))


def _take_away(world: World, name: str) -> None:
    with world.processing.disk.untroubled():
        folder = world.processing.disk.open_folder(STORAGE)
        folder.remove_tree(f"{DAY}/{name}")
