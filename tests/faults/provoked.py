"""Situations in which one kind of mistake shows, each played from a seed in both boxes' world.

Owns: bringing the situation about, and what must come of it. For what a random day (runs.py) meets
too seldom: there the one file, the one moment, the one person would have to come together.
Each function raises AssertionError if a promise is broken, and passes if the code is right.
"""

import asyncio
import errno
from collections.abc import Awaitable, Callable
from dataclasses import replace
from functools import wraps
from pathlib import Path
from tempfile import TemporaryDirectory

from syncd.journal import notices
from syncd.journal.journal import Journal
from syncd.journal.notices import NoticeRow
from syncd.notices.subscriber import Outcome
from syncd.roll.inventory import Trust
from syncd.roll.stages import HeldCode, Stage, is_before
from tests.faults.one_by_one import (
    OFFLOAD,
    PROCESSING,
    hand_over,
    power_lost_at,
    power_lost_at_commit,
)
from tests.faults.runs import cut_finely
from tests.faults.scenes import (
    clips,
    is_held,
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
    touch,
    until,
)
from tests.faults.sim_disk import SimCrash
from tests.faults.strikes_edits import edit_in_place
from tests.faults.truths import check_all, watch
from tests.faults.world import DAY, LANDING, STORAGE, World

# A little more than the hand-off of one_by_one.py takes; prime, so that steps reach every one.
OPERATIONS = 223
COMMITS = 17
INCOMING = f"{STORAGE}/.syncd/incoming"
Scene = Callable[[World], Awaitable[None]]
Situation = Callable[[int], None]


def play_looked_at(world: World, scene: Scene) -> None:
    """Play a scene with everything looked at that may be looked at all the time."""

    async def looked_at() -> None:
        failures = watch(world)
        playing = asyncio.ensure_future(scene(world))
        while not playing.done():
            await asyncio.wait([playing], timeout=0.5)
            if failures:
                playing.cancel()
                await asyncio.wait([playing])
                raise failures[0]
        playing.result()
        check_all(world)

    with cut_finely():
        play(world, looked_at)


def _play_plainly(world: World, scene: Scene) -> None:
    """Play without the look at what is durable, and at what is told how often."""

    async def plain() -> None:
        await scene(world)
        world.check_nothing_false()

    with cut_finely():
        play(world, plain)


def looked_at(scene: Scene) -> Situation:
    """Make a situation of a scene: a world from the seed, in which it is played and looked at."""
    return _from_seed(scene, play_looked_at)


def with_bad_source(scene: Scene) -> Situation:
    """Make a situation of a scene in which the source gives something else than the footage."""
    return _from_seed(scene, _play_plainly)


def twice_published(scene: Scene) -> Situation:
    """Make a situation of a scene in which a person takes a roll away, and it is told of anew."""
    return _from_seed(scene, _play_plainly)


def _from_seed(scene: Scene, play_it: Callable[[World, Scene], None]) -> Situation:
    @wraps(scene)
    def situation(seed: int) -> None:
        play_it(World(seed), scene)

    return situation


# One mishap, at a place that the seed chooses


def one_crash(seed: int) -> None:
    """The storage box loses power at one operation; neighbours in seeds are far apart."""
    fate = ("all lost", "mixed", "names without data")[seed % 3]
    hand_over(PROCESSING, power_lost_at(1 + seed * 89 % OPERATIONS, fate))


def one_crash_with_stills(seed: int) -> None:
    """The same with many small files to a parcel."""
    mishap = power_lost_at(1 + seed * 89 % OPERATIONS, "all lost")
    hand_over(PROCESSING, mishap, kind="stills")


def one_crash_at_a_commit(seed: int) -> None:
    """A box loses power right before or right after a commit."""
    step, which = divmod(seed, 2)
    mishap = power_lost_at_commit(
        1 + step * 5 % COMMITS, "all lost", is_kept=step // COMMITS % 2 == 0
    )
    hand_over((PROCESSING, OFFLOAD)[which], mishap)


# Bits that turn


def _turn_when_read_back(world: World, path: str, *, times: int = 1) -> None:
    """Turn a bit of a stored file right before it is read back, so many times."""
    disk = world.processing.disk
    left = [times]

    def at_op(op: str, at: str) -> None:
        if op == "open_read" and at.endswith(f"/roll/{path}") and left[0]:
            left[0] -= 1
            world.flipped.add(at.removeprefix(".syncd/incoming/"))
            disk.flip(f"{STORAGE}/{at}", 10)

    disk.at_op = at_op


@looked_at
async def storage_turns_a_bit(world: World) -> None:
    """It is found, the storage is blamed by file and range, and the file comes again."""
    files = clips(world)
    path = sorted(files)[world.seed % 2]
    _turn_when_read_back(world, path)
    put_roll(world, "A012", files)
    await reaches(world, "A012")
    with world.processing.journal.read() as db:
        told = notices.after(db, 0, kinds={"resend"})
    assert len(told) == 1, f"promise 5: a flipped bit was told {len(told)} times"
    data = told[0].body["data"]
    assert (data["side"], data["path"]) == ("storage", path), f"promise 5: blamed {data}"
    assert [r["offset"] for r in data["ranges"]] == [0], f"promise 5: blamed {data}"
    assert all(stored(world, "A012")[path] == data for path, data in files.items())


@looked_at
async def storage_turns_a_bit_below_the_cache(world: World) -> None:
    """What only the device shows is found, although the cache still has it right."""
    files = clips(world)
    path = sorted(files)[world.seed % 2]
    disk = world.processing.disk

    def at_op(op: str, at: str) -> None:
        if op == "open_read" and at.endswith(f"/roll/{path}"):
            disk.at_op = None
            world.flipped.add(at.removeprefix(".syncd/incoming/"))
            inode = disk.lookup(f"{STORAGE}/{at}".strip("/"))
            inode.durable[10] ^= 1
            inode.lost = True  # clean in the cache, as a failed sync leaves it

    disk.at_op = at_op
    put_roll(world, "A012", files)
    await reaches(world, "A012")
    inode = disk.lookup(f"{STORAGE}/{DAY}/A012/{path}".strip("/"))
    assert inode.durable == files[path], f"promise 5: {path} is wrong on the device"


@looked_at
async def a_sync_fails(world: World) -> None:
    """What a failed sync has lost is written again, and not called good by a second sync."""
    put_roll(world, "A012", clips(world))
    await moves(world, "A012", 1 + world.seed % 5 * 20_000)
    world.processing.disk.fail_next("sync", errno.EIO)
    await until(lambda: _is_held(world) or _is_ready(world), "something comes of it")
    if _is_held(world):
        order_by_hand(world.offload, "A012", go=True)
    await reaches(world, "A012")


@looked_at
async def storage_turns_bits_again(world: World) -> None:
    """A file wrong twice is held until a person acts, however long that takes."""
    files = clips(world)
    _turn_when_read_back(world, min(files), times=2)
    put_roll(world, "A012", files)
    await is_held(world, "A012", HeldCode.READ_BACK_MISMATCH)
    for _ in range(600):
        await asyncio.sleep(0.2)
        row = row_of(world.offload, "A012")
        assert row is not None, "a roll stays known"
        assert row.held is not None, "promise 5: it went on by itself"
        assert not stored(world, "A012"), "promise 1: published while held"
    order_by_hand(world.offload, "A012", go=True)
    await reaches(world, "A012")


@with_bad_source
async def source_turns_a_bit(world: World) -> None:
    """What does not match its evidence is held as the source's fault, and never published."""
    files = clips(world)
    put_roll(world, "A012", files)
    world.offload.disk.flip(f"{LANDING}/{DAY}/A012/{min(files)}", 10)
    held = await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)
    assert "source side is wrong" in held.message.lower(), f"promise 5: {held.message}"
    assert not stored(world, "A012"), "promise 1: published against its evidence"


def _roll_id(world: World) -> str:
    return world.offload.rows()[0].roll_id


@with_bad_source
async def source_turns_a_bit_before_a_repair(world: World) -> None:
    """A file that was proved, and is written again with its neighbour, is proved again."""
    files = {f"Stills/A012_{n:05}.dpx": world.rng.randbytes(900) for n in range(4)}
    paths = sorted(files)
    put_roll(world, "A012", files)
    disk = world.processing.disk

    def at_op(op: str, at: str) -> None:
        if op == "open_read" and at.endswith(f"/roll/{paths[-1]}"):
            disk.at_op = None
            disk.flip(f"{STORAGE}/{at}", 10)
            world.offload.disk.flip(f"{LANDING}/{DAY}/A012/{paths[0]}", 10)

    disk.at_op = at_op
    await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)
    assert not stored(world, "A012"), "promise 1: published against its evidence"


# People and other programs


def source_changes_without_evidence(seed: int) -> None:
    """A settled roll is published as it was at one time, never as a mix of two."""
    world = World(seed, trust=Trust.SETTLED)

    async def scene(world: World) -> None:
        old, new = clips(world, 1, 90_000), clips(world, 1, 90_000)
        world.others = {}
        put_roll(world, "A012", old, evidence={})
        await moves(world, "A012")
        put_files(world.offload, f"{LANDING}/{DAY}/A012", new, replace=True)
        world.footage["A012"] = new
        await until(lambda: stored(world, "A012") or _is_held(world), "something comes of it")
        there = stored(world, "A012")
        mixed = {path for path in there if path in old} - {
            path for path, data in there.items() if data in (old.get(path), new.get(path))
        }
        assert not mixed, f"promise 5: published as a mix of two: {mixed}"

    _play_plainly(world, scene)


def source_is_edited_and_hides_it(seed: int) -> None:
    """A settled roll of which a file has its old size and time again is no mix of two either."""
    world = World(seed, trust=Trust.SETTLED)

    async def scene(world: World) -> None:
        old = clips(world, 1, 90_000)
        (path,) = old
        put_roll(world, "A012", old, evidence={})
        await moves(world, "A012", 30_000)
        source = f"{LANDING}/{DAY}/A012/{path}"
        for offset in (100, 89_900):  # what is sent already, and what is not
            edit_in_place(world.offload.disk, source, offset, seed % 8)
        new = world.offload.disk.files_below(f"{LANDING}/{DAY}/A012")
        world.others["A012"] = [new]
        await until(lambda: stored(world, "A012") or _is_held(world), "something comes of it")
        there = stored(world, "A012").get(path)
        assert there in (None, old[path], new[path]), "promise 5: published as a mix of two"

    _play_plainly(world, scene)


def file_is_mended_where_nothing_tells(seed: int) -> None:
    """A roll that is held for a file on the landing goes on once that is right, by itself."""
    world = World(seed)

    async def scene(world: World) -> None:
        good = clips(world)
        path = sorted(good)[seed % 2]
        lists = {"A012.md5": listing(good)}
        put_roll(world, "A012", {**good, path: good[path] + b"too long"}, evidence=lists)
        world.footage["A012"] = good
        await is_held(world, "A012", HeldCode.EVIDENCE_MISMATCH)
        await asyncio.sleep(world.rng.uniform(1, 200))
        put_files(world.offload, f"{LANDING}/{DAY}/A012", {path: good[path]}, replace=True)
        try:
            await reaches(world, "A012")
        except AssertionError as error:
            raise AssertionError(f"promise 4: {error}") from None

    _play_plainly(world, scene)


def _is_held(world: World) -> bool:
    row = row_of(world.offload, "A012")
    return row is not None and row.held is not None


def _is_ready(world: World) -> bool:
    return world.all_ready()


@looked_at
async def somebody_writes_into_incoming(world: World) -> None:
    """What changed between its proof and publication is proved again, and mended."""
    files = clips(world)
    path = sorted(files)[world.seed % 2]
    put_roll(world, "A012", files)
    disk = world.processing.disk

    def at_op(op: str, _at: str) -> None:
        if op == "sync_all":
            disk.at_op = None
            (roll_id,) = {row.roll_id for row in world.processing.rows()}
            with disk.untroubled():
                folder = disk.open_folder(f"{INCOMING}/{roll_id}/roll")
                file = folder.open_write(path)
                file.write([memoryview(b"theirs")], 100)
                file.close()
            world.flipped.add(f"{roll_id}/roll/{path}")

    disk.at_op = at_op
    await reaches(world, "A012")


@looked_at
async def somebody_edits_incoming_and_hides_it(world: World) -> None:
    """What was edited after its proof, and has its old size and time, is found and mended."""
    files = clips(world)
    path = sorted(files)[world.seed % 2]
    put_roll(world, "A012", files)
    disk = world.processing.disk

    def at_op(op: str, _at: str) -> None:
        if op == "sync_all":
            disk.at_op = None
            (roll_id,) = {row.roll_id for row in world.processing.rows()}
            world.flipped.add(f"{roll_id}/roll/{path}")
            edit_in_place(disk, f"{INCOMING}/{roll_id}/roll/{path}", 100, world.seed % 8)

    disk.at_op = at_op
    await reaches(world, "A012")


@looked_at
async def somebody_edits_while_it_is_read_back(world: World) -> None:
    """An edit behind the reader's back, hidden like that, counts as one after the read-back."""
    files = clips(world)
    path = sorted(files)[world.seed % 2]
    put_roll(world, "A012", files)
    disk = world.processing.disk
    reads = [0]

    def at_op(op: str, at: str) -> None:
        if op == "read" and at.endswith(f"/roll/{path}"):
            reads[0] += 1
            if reads[0] == 2:  # what is edited lies in the part that was read first
                disk.at_op = None
                world.flipped.add(at.removeprefix(".syncd/incoming/"))
                edit_in_place(disk, f"{STORAGE}/{at}", 100, world.seed % 8)

    disk.at_op = at_op
    await reaches(world, "A012")


@looked_at
async def somebody_edits_what_is_published_and_hides_it(world: World) -> None:
    """A published roll is offered again: what was edited in it is found before it is had."""
    files = clips(world)
    path = sorted(files)[world.seed % 2]
    put_roll(world, "A012", files)
    await reaches(world, "A012")
    whole = f"{STORAGE}/{DAY}/A012/{path}"
    edit_in_place(world.processing.disk, whole, 100, world.seed % 8)
    world.edited.add(f"A012/{path}")
    await lose_journal(world, world.offload)
    touch(world, "A012")
    await until(lambda: _is_held(world) or _is_offered_and_had(world), "it is answered")
    assert _is_held(world), "promise 1: an edited roll was answered have"
    edit_in_place(world.processing.disk, whole, 100, world.seed % 8)
    world.edited.clear()
    await asyncio.sleep(5.0)  # the storage box's own word of it has come, too
    order_by_hand(world.offload, "A012", go=True)
    await reaches(world, "A012")


def _is_offered_and_had(world: World) -> bool:
    row = row_of(world.offload, "A012")
    return row is not None and not is_before(row.stage, Stage.READY)


@with_bad_source
async def name_is_taken(world: World) -> None:
    """Other content under the same name stays as it is; the roll is held."""
    theirs = {"Clips/C000.mov": world.rng.randbytes(5000), "Clips/other.mov": b"1"}
    put_files(world.processing, f"{STORAGE}/{DAY}/A012", theirs)
    put_roll(world, "A012", clips(world))
    world.footage["A012"] = theirs
    for _ in range(100):
        await asyncio.sleep(0.2)
        assert stored(world, "A012") == theirs, "promises 2 and 7: merged or replaced"
    await is_held(world, "A012", HeldCode.NAME_TAKEN)


@with_bad_source
async def name_has_a_twin(world: World) -> None:
    """A name that differs only by case from a published one is not published beside it."""
    put_roll(world, "c009", clips(world))
    await reaches(world, "c009")
    put_roll(world, "C009", clips(world))
    for _ in range(100):
        await asyncio.sleep(0.2)
        names = sorted(world.published())
        assert names == ["c009"], f"promise 7: twins are published: {names}"
    await is_held(world, "C009", HeldCode.NAME_UNSAFE)


@with_bad_source
async def same_content_twice(world: World) -> None:
    """The same content in two folders of a day is published once."""
    files = clips(world)
    put_roll(world, "A012", files)
    await reaches(world, "A012")
    put_roll(world, "A012_copy", files)
    await asyncio.sleep(90.0)
    names = sorted(world.published())
    assert names == ["A012"], f"promise 7: one content was published as {names}"


@with_bad_source
async def another_folder_is_mounted(world: World) -> None:
    """Nothing is written into what lies under an unmounted path."""
    put_roll(world, "A012", clips(world))
    await moves(world, "A012")
    disk = world.processing.disk
    with disk.untroubled():
        root = disk.open_folder("/mnt/array")
        root.rename_new("rolls", "away")
        root.make_folders("rolls")
    for _ in range(100):
        await asyncio.sleep(0.1)
        found = disk.files_below(STORAGE)
        assert not found, f"promise 1: written where no storage is: {sorted(found)}"
    with disk.untroubled():
        root.rename_new("rolls", "bare")
        root.rename_new("away", "rolls")
    await reaches(world, "A012")


def little_room(seed: int) -> None:
    """What is to be kept free stays free."""
    world = World(seed)
    box = world.processing
    assert box.config.storage is not None
    kept = replace(box.config.storage, keep_free_bytes=50_000)
    box.config = replace(box.config, storage=kept)

    async def scene(world: World) -> None:
        put_roll(world, "A012", clips(world))
        world.processing.disk.full_after(150_000)  # with 50,000 kept, too little for 120,000
        for _ in range(50):
            await asyncio.sleep(0.2)
            left = box.disk.capacity_bytes - box.disk.tree.used_bytes
            assert left >= 50_000, f"the reserve of 50,000 bytes is down to {left}"
        box.disk.full_after(1 << 30)
        await reaches(world, "A012")

    play_looked_at(world, scene)


@looked_at
async def everything_is_paused(world: World) -> None:
    """While everything is paused nothing moves; after it everything does."""
    put_roll(world, "A012", clips(world, 3, 200_000))
    await moves(world, "A012")
    order_by_hand(world.offload, None, paused=True)
    await asyncio.sleep(3.0)
    row = row_of(world.processing, "A012")
    assert row is not None
    for _ in range(50):
        await asyncio.sleep(0.2)
        now = row_of(world.processing, "A012")
        assert now is not None, "a roll stays known"
        assert now.moved_bytes == row.moved_bytes, "it moves while paused"
        assert now.stage is not Stage.READY, "it moved while paused"
    order_by_hand(world.offload, None, paused=False)
    await reaches(world, "A012")


# Who is told, and who may ask


class _Hesitant:
    """A subscriber that refuses twice before it takes a notice, and writes down every attempt."""

    name = "hesitant"
    kinds = ("landed", "ready")

    def __init__(self, take: Callable[[], None]) -> None:
        self.heard: list[NoticeRow] = []
        self.taken: list[int] = []
        self._take = take

    async def deliver(self, notice: NoticeRow, path: str) -> Outcome:
        del path
        self.heard.append(notice)
        if sum(heard.seq == notice.seq for heard in self.heard) <= 2:
            return Outcome(delivered=False, note="refused")
        self._take()
        self.taken.append(notice.seq)
        return Outcome(delivered=True)


def subscriber_refuses(seed: int) -> None:
    """The same notice comes again under the same id, until it is taken, in order."""
    world = World(seed)

    async def scene(world: World) -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        await until(lambda: len(subscriber.taken) == 2, "promise 6: both notices are taken")
        ids: dict[int, set[str]] = {}
        for notice in subscriber.heard:
            ids.setdefault(notice.seq, set()).add(notice.notice_id)
        assert all(len(each) == 1 for each in ids.values()), f"promise 6: new ids in {ids}"
        assert subscriber.taken == sorted(subscriber.taken), "promise 6: out of order"

    subscriber = _Hesitant(lambda: None)
    world.processing.subscribers = (subscriber,)
    play_looked_at(world, scene)


def crash_while_a_subscriber_is_told(seed: int) -> None:
    """Power is lost while a subscriber works: it is told again."""
    world = World(seed)
    power_losses = [1 + seed % 2]

    def take() -> None:
        power_losses[0] -= 1
        if power_losses[0] == 0:
            world.processing.go_down()
            raise SimCrash("while the subscriber was told")

    async def scene(world: World) -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        await until(lambda: len(set(subscriber.taken)) == 2, "promise 6: both notices are taken")

    subscriber = _Hesitant(take)
    world.processing.subscribers = (subscriber,)
    play_looked_at(world, scene)


# The journal's own file


def journal_keeps_what_it_committed(seed: int) -> None:
    """A commit is on the disk before it is called one: SQLite is told to sync at each."""
    del seed
    with (
        TemporaryDirectory() as folder,
        Journal(Path(folder) / "journal.sqlite") as journal,
        journal.read() as db,
    ):
        (synchronous,) = db.execute("PRAGMA synchronous").fetchone()
        (mode,) = db.execute("PRAGMA journal_mode").fetchone()
    assert (synchronous, mode) == (2, "wal"), f"promise 3: {mode} with synchronous {synchronous}"
