"""Evidence that changes while its roll is on the way, the media being the same: taken anew."""

import pytest

from syncd.journal import notices
from syncd.roll.stages import HeldCode
from tests.faults.scenes import (
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
from tests.faults.world import DAY, LANDING, World

SOURCE = f"{LANDING}/{DAY}/A012"
pytestmark = pytest.mark.usefixtures("small_parcels")


def held_notices(world: World) -> list[str]:
    """Return what either box was held for, ever."""
    said = []
    for box in (world.offload, world.processing):
        with box.journal.read() as db:
            found = notices.after(db, 0, limit=1000, kinds={"held"})
        said += [f"{box.name}: {notice.body['note']}" for notice in found]
    return said


def sent_bytes(world: World) -> int:
    """Return what the lanes have carried so far."""
    assert world.offload.parts is not None
    assert world.offload.parts.handover is not None
    return world.offload.parts.handover.stats.payload_bytes


async def taken_anew(world: World) -> None:
    """Wait until the landing has taken the evidence of A012 anew."""
    row = row_of(world.offload, "A012")
    assert row is not None

    def is_noted() -> bool:
        return any("its evidence changed" in x.note for x in world.offload.history(row.roll_id))

    await until(is_noted, "the landing takes it anew")


def in_capitals(data: bytes) -> bytes:
    """Write the digest of the first line otherwise: it is the same one."""
    return data[:32].upper() + data[32:]


def longer(data: bytes) -> bytes:
    """Add a comment."""
    return b"# checked twice, on the cart and in the van\n" + data


@pytest.mark.parametrize("change", ["same size", "longer", "shorter"])
@pytest.mark.parametrize("name", ["0.md5", "Z.md5"], ids=["sent first", "sent last"])
def test_a_list_written_again_on_the_way_arrives_as_it_is_now(name: str, change: str) -> None:
    """Nobody is asked to act, and of the clips nothing is sent twice."""
    world = World(40)
    files = clips(world, count=6)
    plain = listing(files)
    before = longer(plain) if change == "shorter" else plain
    after = {"longer": longer(plain), "shorter": plain}.get(change, in_capitals(plain))
    total = sum(map(len, files.values()))

    async def scene() -> int:
        put_roll(world, "A012", files, evidence={name: before})
        await moves(world, "A012", least_bytes=total // 2)
        order_by_hand(world.offload, None, paused=True)
        await world.offload.clock.sleep(2.0)  # what is on the lanes is through
        put_files(world.offload, SOURCE, {name: after}, replace=True)
        touch(world, "A012")
        await taken_anew(world)
        order_by_hand(world.offload, None, paused=False)
        await reaches(world, "A012")
        return sent_bytes(world)

    sent = play(world, scene)
    world.check_nothing_false()
    assert stored(world, "A012")[name] == after
    assert held_notices(world) == []
    assert sent <= total + len(before) + len(after) + 1


def test_a_lane_that_meets_a_new_list_first_holds_nothing() -> None:
    """No event is heard: the landing is asked to look, and needs the list to be still for 5 s."""
    world = World(43)
    files = clips(world, count=6)
    after = longer(listing(files))

    async def scene() -> float:
        put_roll(world, "A012", files, evidence={"Z.md5": listing(files)})
        await moves(world, "A012")
        order_by_hand(world.offload, None, paused=True)
        await world.offload.clock.sleep(2.0)
        put_files(world.offload, SOURCE, {"Z.md5": after}, replace=True)
        order_by_hand(world.offload, None, paused=False)
        begun_s = world.offload.clock.monotonic_s()
        await reaches(world, "A012")
        return world.offload.clock.monotonic_s() - begun_s

    took_s = play(world, scene)
    world.check_nothing_false()
    assert stored(world, "A012")["Z.md5"] == after
    assert held_notices(world) == []
    assert took_s < 15.0


def test_a_list_that_does_not_come_to_rest_is_held_in_the_end_and_heals() -> None:
    """Not while the landing waits for it to settle; then a person should know of it."""
    world = World(44)
    files = clips(world, count=6)

    async def scene() -> float:
        put_roll(world, "A012", files, evidence={"Z.md5": listing(files)})
        await moves(world, "A012")
        order_by_hand(world.offload, None, paused=True)
        await world.offload.clock.sleep(2.0)
        put_files(world.offload, SOURCE, {"Z.md5": listing(files)[:-7]}, replace=True)
        order_by_hand(world.offload, None, paused=False)
        begun_s = world.offload.clock.monotonic_s()
        held = await is_held(world, "A012", HeldCode.SOURCE_CHANGED)
        assert "Z.md5" in held.message
        after_s = world.offload.clock.monotonic_s() - begun_s
        put_files(world.offload, SOURCE, {"Z.md5": longer(listing(files))}, replace=True)
        touch(world, "A012")
        await reaches(world, "A012")
        return after_s

    after_s = play(world, scene)
    world.check_nothing_false()
    (landing,) = world.offload.config.landings
    assert landing.settle_s <= after_s < landing.settle_s + 5.0


def test_a_list_that_contradicts_the_media_names_the_file_and_heals() -> None:
    """Another digest for a clip is another roll as far as anyone can tell, until it is read."""
    world = World(41)
    files = clips(world, count=4)
    other = {**files, "Clips/C002.mov": b"other content"}

    async def scene() -> None:
        put_roll(world, "A012", files)
        await moves(world, "A012")
        order_by_hand(world.offload, None, paused=True)
        await world.offload.clock.sleep(2.0)
        put_files(world.offload, SOURCE, {"A012.md5": listing(other)}, replace=True)
        touch(world, "A012")
        await world.offload.clock.sleep(20.0)
        order_by_hand(world.offload, None, paused=False)
        held = await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)
        assert "Clips/C002.mov" in held.message
        assert "again" in held.message
        put_files(world.offload, SOURCE, {"A012.md5": listing(files)}, replace=True)
        touch(world, "A012")
        await reaches(world, "A012")

    play(world, scene)
    world.check_nothing_false()
    assert stored(world, "A012")["A012.md5"] == listing(files)
    assert not any(row.held for row in (*world.offload.rows(), *world.processing.rows()))


def test_a_list_of_other_digests_in_place_of_the_first_takes_the_roll_over() -> None:
    """The first list is gone, so what was begun under it rests; nobody is asked to act."""
    world = World(42)
    files = clips(world, count=6)

    async def scene() -> None:
        put_roll(world, "A012", files)
        await moves(world, "A012", least_bytes=200_000)
        order_by_hand(world.offload, None, paused=True)
        await world.offload.clock.sleep(2.0)
        world.offload.disk.open_folder(SOURCE).remove_file("A012.md5")
        put_files(world.offload, SOURCE, {"A012.xxh64": listing(files, "xxh64")})
        touch(world, "A012")
        await world.offload.clock.sleep(20.0)
        order_by_hand(world.offload, None, paused=False)
        await reaches(world, "A012")

    play(world, scene)
    world.check_nothing_false()
    assert stored(world, "A012")["A012.xxh64"] == listing(files, "xxh64")
    assert held_notices(world) == []
    assert len(world.processing.rows()) == 1
