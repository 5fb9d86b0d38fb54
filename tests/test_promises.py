"""The ten promises of the design, each with the test that tries hardest to break it.

Rolls are cut finely, boxes and cable simulated, but where only real daemons can show it.
"""

import asyncio
import hashlib
import tracemalloc
from pathlib import Path

import pytest
import xxhash

from syncd.journal import notices
from syncd.limits import MIB
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode, Stage
from syncd.storage.intake import ReceivingRolls
from tests.bench.history import write_history
from tests.boxes import Box, Pair, place_roll, wait_until
from tests.faults.scenes import (
    clips,
    cut_small,
    is_held,
    listing,
    moves,
    order_by_hand,
    play,
    put_files,
    put_roll,
    reaches,
    rot,
    row_of,
    stored,
    until,
)
from tests.faults.sim_disk import SimDisk
from tests.faults.world import DAY, LANDING, STORAGE, World

SOURCE = f"{LANDING}/{DAY}/A012"
INCOMING = f"{STORAGE}/.syncd/incoming"


def _plan_crash(world: World, low: int, high: int) -> None:
    """Let the storage's power go at an operation to come, unless that is planned already."""
    disk = world.processing.disk
    if disk.crash_at_op is None:
        disk.crash_at_op = disk.ops + world.rng.randrange(low, high)


@pytest.fixture
def small_parcels(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut rolls finely."""
    cut_small(monkeypatch)


@pytest.mark.usefixtures("small_parcels")
@pytest.mark.parametrize("seed", range(6))
def test_1_a_published_path_is_absent_or_complete(seed: int) -> None:
    """Promise 1: looked at 500 times a second, over power lost at random operations of the disk."""
    world = World(100 + seed)
    looks: list[int] = []

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=4))
        _plan_crash(world, 20, 300)
        while not (row := row_of(world.offload, "A012")) or row.stage is not Stage.READY:
            world.check_nothing_false()
            looks.append(world.processing.crashes)
            if world.processing.crashes < 5:
                _plan_crash(world, 1, 150)
            await asyncio.sleep(0.002)

    play(world, scene)
    world.check_nothing_false()
    assert len(looks) > 50
    assert looks[-1] > 0, "the power went at least once"
    assert stored(world, "A012").items() >= world.footage["A012"].items()


@pytest.mark.usefixtures("small_parcels")
def test_2_published_media_and_source_are_never_written(monkeypatch: pytest.MonkeyPatch) -> None:
    """Promise 2: every change of a name or a file on both boxes is watched while rolls clash."""
    world = World(2, landings=(LANDING, "/media/second"))
    changed: list[tuple[SimDisk, str, str]] = []
    changing = {"open_write", "make_new_file", "replace_file", "remove_file", "remove_tree"}
    changing |= {"rename_new", "rename", "make_folders", "write", "set_mtime"}
    count = SimDisk.count

    def watching(self: SimDisk, op: str, path: str = "", epoch: int | None = None) -> None:
        if op in changing and epoch is not None:
            changed.append((self, op, path))
        count(self, op, path, epoch)

    async def scene() -> dict[str, bytes]:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        before = stored(world, "A012")
        other = clips(world)
        put_roll(world, "A012", other, landing="/media/second")
        monkeypatch.setattr(SimDisk, "count", watching)
        await is_held(world, "A012", HeldCode.NAME_TAKEN)
        order_by_hand(world.offload, "A012", go=True)
        await asyncio.sleep(10)
        await world.processing.lose_power()
        await asyncio.sleep(30)
        return before

    assert play(world, scene) == stored(world, "A012")
    assert not [(op, path) for disk, op, path in changed if disk is world.offload.disk]
    below = [(op, path) for disk, op, path in changed if path.startswith(DAY)]
    assert not below


@pytest.mark.usefixtures("small_parcels")
@pytest.mark.parametrize("seed", range(4))
def test_3_what_was_confirmed_survives_a_loss_of_power(seed: int) -> None:
    """Promise 3: at the instant the sender knows it, the bytes are in the durable half."""
    world = World(300 + seed)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=12))
        await moves(world, "A012", 50_000 + 40_000 * seed)
        assert world.offload.parts is not None
        assert world.offload.parts.handover is not None
        roll_id = world.offload.rows()[0].roll_id
        confirmed = world.offload.parts.handover.feed.moved_bytes(roll_id)
        await world.processing.lose_power()
        durable = sum(map(len, world.processing.disk.files_below(INCOMING).values()))
        assert durable >= confirmed > 0
        row = row_of(world.processing, "A012")
        assert row is not None
        assert row.moved_bytes >= confirmed
        await reaches(world, "A012")

    play(world, scene)
    assert stored(world, "A012").items() >= world.footage["A012"].items()


@pytest.mark.usefixtures("small_parcels")
@pytest.mark.parametrize("fault", ["cable", "offload", "processing"])
def test_4_after_any_break_little_travels_twice(
    fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Promise 4: four parcels a lane is 64 MiB of real ones; more must not begin a second time."""
    world = World(4)
    taken: list[int] = []
    begin = ReceivingRolls.begin

    def noting(self: ReceivingRolls, roll_id: str, number: int, evidence: bytes) -> object:
        taken.append(number)
        return begin(self, roll_id, number, evidence)

    monkeypatch.setattr(ReceivingRolls, "begin", noting)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=20))
        await moves(world, "A012", 300_000)
        if fault == "cable":
            world.net.cut()
            await asyncio.sleep(5)
            world.net.join()
        else:
            await getattr(world, fault).lose_power()
        await reaches(world, "A012")

    play(world, scene)
    twice = len(taken) - len(set(taken))
    assert twice <= 2 * 4, f"{twice} parcels travelled twice"
    assert stored(world, "A012").items() >= world.footage["A012"].items()


@pytest.mark.usefixtures("small_parcels")
@pytest.mark.parametrize("where", ["card", "wire", "storage"])
def test_5_a_wrong_bit_is_found_before_ready(where: str) -> None:
    """Promise 5: wherever the bit turns, nothing wrong becomes ready; at rest it is named."""
    world = World(5)
    files = clips(world, count=4)

    async def scene() -> str:
        put_roll(world, "A012", files)
        if where == "wire":
            world.net.flips_left = 40
            await reaches(world, "A012")
            return "it travelled again"
        await until(world.processing.rows, "it is taken", every_s=0.0005)
        if where == "card":
            world.offload.disk.flip(f"{SOURCE}/Clips/C003.mov", 40_000)
            return (await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)).message
        rot(world, "C003.mov", files, offset=40_000)
        return (await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH)).message

    message = play(world, scene)
    if where == "wire":
        assert world.net.flips_done > 0
        assert stored(world, "A012").items() >= files.items()
        return
    assert not stored(world, "A012")
    for part in (f"{DAY}/A012", "C003.mov"):
        assert part in message, message
    if where == "card":
        digest = hashlib.md5(files["Clips/C003.mov"], usedforsecurity=False).hexdigest()
        assert digest in message
        assert "source" in message


@pytest.mark.usefixtures("small_parcels")
def test_6_every_notice_comes_in_order_and_at_least_once() -> None:
    """Promise 6: over crashes of both boxes, both say landed, then ready, once each."""
    world = World(6)

    async def scene() -> None:
        for number in range(4):
            put_roll(world, f"A{number:03}", clips(world))
        for box in (world.processing, world.offload, world.processing):
            await asyncio.sleep(world.rng.uniform(4.5, 5.6))
            await box.lose_power()
        for number in range(4):
            await reaches(world, f"A{number:03}")

    play(world, scene)
    for box in (world.offload, world.processing):
        with box.journal.read() as db:
            rows = notices.after(db, 0, limit=1000)
        assert len({row.notice_id for row in rows}) == len(rows)
        for roll in box.rows():
            kinds = [row.kind for row in rows if row.roll_id == roll.roll_id]
            told = [kind for kind in kinds if kind in ("moving", "landed", "ready")]
            assert told[-2:] == ["landed", "ready"]
            assert told.count("ready") == told.count("landed") == 1


@pytest.mark.usefixtures("small_parcels")
def test_7_the_same_content_is_one_roll_and_other_content_is_held() -> None:
    """Promise 7: md5, then xxh64, then sha1 over the same files; at last one byte is another."""
    second, third, fourth = "/media/second", "/media/third", "/media/fourth"
    world = World(7, landings=(LANDING, second, third, fourth))
    files = clips(world, count=3)

    async def scene() -> dict[str, bytes]:
        put_roll(world, "A012", files)
        await reaches(world, "A012")
        before = stored(world, "A012")
        put_roll(
            world, "A012", files, landing=second, evidence={"a.xxh64": listing(files, "xxh64")}
        )
        put_roll(world, "A012", files, landing=third, evidence={"b.sha1": listing(files, "sha1")})
        await until(
            lambda: [row.stage for row in world.offload.rows()] == [Stage.READY] * 3, "one roll"
        )
        data = files["Clips/C002.mov"]
        other = {**files, "Clips/C002.mov": data[:100] + bytes([data[100] ^ 1]) + data[101:]}
        put_roll(world, "A012", other, landing=fourth)
        await is_held(world, "A012", HeldCode.NAME_TAKEN)
        return before

    assert play(world, scene) == stored(world, "A012")


def test_8_the_plan_of_a_huge_roll_is_small() -> None:
    """Promise 8: of a roll of 1 TiB, no parcel is kept as a list of its bytes or pieces."""
    digest = (Digest(Algorithm.XXH64, bytes(8)),)
    files = tuple(FileEntry(f"C{n:04}.mov", 1 << 34, 1, digest) for n in range(64))
    tracemalloc.start()
    try:
        plan = ParcelPlan(Inventory(DAY, "A012", files))
        assert tracemalloc.get_traced_memory()[0] < 200 * plan.count
    finally:
        tracemalloc.stop()
    assert plan.count == 64 << 10


def test_8_memory_does_not_grow_with_the_roll(tmp_path: Path) -> None:
    """Promise 8: 320 MiB pass with less than half of it resident (64 GiB: tests.bench memory)."""
    staged = tmp_path / "staged"
    (staged / "Clips").mkdir(parents=True)
    hasher = xxhash.xxh64()
    with (staged / "Clips" / "C001.mov").open("wb") as file:
        file.truncate(320 * MIB)
    for _ in range(320):
        hasher.update(bytes(MIB))
    write_history(staged, {"Clips/C001.mov": (320 * MIB, hasher.hexdigest())})
    with Pair(tmp_path) as pair:
        place_roll(staged, pair.landing, "A012")
        pair.wait_ready("A012")
        assert pair.offload.resident_bytes_max() < 150 * MIB
        assert pair.processing.resident_bytes_max() < 150 * MIB


def _make_roll(folder: Path) -> Path:
    staged = folder / "staged"
    (staged / "Clips").mkdir(parents=True)
    data = bytes(range(256)) * 4000
    (staged / "Clips" / "C001.mov").write_bytes(data)
    write_history(staged, {"Clips/C001.mov": (len(data), xxhash.xxh64_hexdigest(data))})
    return staged


@pytest.mark.parametrize(
    ("who_errs", "remedy"),
    [
        ("storage trusts nobody", "run `syncd pair` on process-1"),
        ("offload pinned another", "`syncd peers forget process-1`, and pair"),
    ],
)
def test_9_an_unpaired_box_gets_and_gives_nothing(
    who_errs: str, remedy: str, tmp_path: Path
) -> None:
    """Promise 9, over real TLS: no roll, no listing; the roll says peer-refused and what to do."""
    pair = Pair(tmp_path)
    pair.configure()
    stranger = Box("stranger", "offload", tmp_path / "stranger")
    box = pair.processing if who_errs == "storage trusts nobody" else pair.offload
    other = pair.offload if box is pair.processing else pair.processing
    wrong = box.config.read_text().replace(other.fingerprint, stranger.fingerprint)
    box.config.write_text(wrong)
    with pair:
        place_roll(_make_roll(tmp_path), pair.landing, "A012")
        wait_until(
            lambda: (pair.offload.rolls().get("A012") or {}).get("held"),
            20,
            "held",
            state=pair.offload.rolls,
        )
        held = pair.offload.rolls()["A012"]["held"]
        assert held["code"] == "peer-refused"
        assert "certificate" in held["message"]
        assert remedy in held["message"]
        assert pair.processing.rolls() == {}
    assert sorted(path.name for path in pair.storage.iterdir()) == ["syncd-storage.json"]


@pytest.mark.usefixtures("small_parcels")
def test_10_a_card_that_is_still_being_offloaded_is_left_alone() -> None:
    """Promise 10: a roll that grows is neither read nor offered; a finished one goes meanwhile."""
    world = World(10)
    reads: list[str] = []
    growing = clips(world, count=6)

    async def scene() -> None:
        put_roll(world, "B007", clips(world))
        for count, (path, data) in enumerate(growing.items()):
            put_files(world.offload, SOURCE, {path: data})
            await asyncio.sleep(4)
            rows = [row for row in world.offload.rows() if row.name == "A012"]
            assert all(row.stage is Stage.ARRIVING for row in rows), count
            reads.extend(row.name for row in world.processing.rows() if row.name == "A012")
        await reaches(world, "B007")
        put_roll(world, "A012", {}, evidence={"A012.md5": listing(growing)})
        world.footage["A012"] = growing
        await reaches(world, "A012")

    play(world, scene)
    assert not reads
    assert stored(world, "A012").items() >= growing.items()
