"""The keeper: rolls are proved, repaired, held, cured and published, whatever happens meanwhile."""

import asyncio
import errno
import os
import random
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest

from syncd.edges.disk import RealDisk
from syncd.evidence.ascmhl_history import read_histories
from syncd.journal import notices, parcels, rolls
from syncd.journal.parcels import Proof
from syncd.limits import MIB
from syncd.ports import ReadLevel
from syncd.roll.stages import HeldCode, Stage
from syncd.storage.comparing import Comparison, compare_with_published
from syncd.storage.keeper import Keeper
from syncd.storage.outcomes import record_proofs
from syncd.storage.proving import prove_files
from tests.faults.sim_disk import SimCrash, SimDisk
from tests.faults.virtual_time import run_simulated
from tests.storage.rig import DAY, STORAGE, LoopClock, Rig, carry, footage


def _rig(**shape: int) -> Rig:
    return Rig(footage(**shape), clock=LoopClock())


async def _until(rig: Rig, is_so: Callable[[], bool]) -> None:
    while not is_so():
        await rig.clock.sleep(0.05)


async def _kept(keeper: Keeper, story: Callable[[], Coroutine[Any, Any, None]]) -> None:
    """Run keeper while story, a coroutine function, is told; the first to fail ends both."""
    keeping = asyncio.ensure_future(keeper.run())
    telling = asyncio.ensure_future(story())
    try:
        await asyncio.wait({keeping, telling}, return_when=asyncio.FIRST_COMPLETED)
        for task in (keeping, telling):
            if task.done():
                task.result()
    finally:
        for task in (keeping, telling):
            task.cancel()
        await asyncio.gather(keeping, telling, return_exceptions=True)


def _is_ready(rig: Rig) -> bool:
    return rig.row().stage is Stage.READY


def _kinds(rig: Rig) -> list[str]:
    with rig.journal.read() as db:
        return [row.kind for row in notices.after(db, 0)]


def _run(rig: Rig, story: Callable[[Keeper], Coroutine[Any, Any, None]]) -> None:
    keeper = rig.keeper()
    run_simulated(_kept(keeper, lambda: story(keeper)), limit_s=120)


async def _bring_lacking(rig: Rig, keeper: Keeper) -> list[int]:
    numbers = rig.lacking(await keeper.lacking(rig.roll_id))
    reader = rig.reader()
    for number in numbers:
        carry(keeper.receiving, reader, [number])
        await asyncio.sleep(0)
    reader.close()
    return numbers


def test_a_roll_that_came_in_is_proved_published_and_ready() -> None:
    """Every file, the evidence and the empty folders are there, and all is told in order."""
    rig = _rig(big_bytes=17 * MIB)

    async def story(keeper: Keeper) -> None:
        await _bring_lacking(rig, keeper)
        await _until(rig, lambda: _is_ready(rig))

    _run(rig, story)

    rig.check_published(complete=True)
    assert _kinds(rig) == ["moving", "reading-back", "landed", "ready"]
    row = rig.row()
    assert (row.published_path, row.moved_bytes) == (f"{DAY}/A012", row.total_bytes)
    with rig.journal.read() as db:
        proofs = parcels.proofs(db, rig.roll_id)
    assert len(proofs) == len(rig.files)
    assert {proof.level for proof in proofs.values()} == {ReadLevel.DIRECT}
    assert list(rig.disk.files_below(f"{STORAGE}/.syncd")) == [f"rolls/{rig.roll_id}"]


def test_the_times_of_files_are_kept() -> None:
    """Media and received evidence have on the storage the times that they had on the source."""
    rig = _rig()

    async def story(keeper: Keeper) -> None:
        await _bring_lacking(rig, keeper)
        await _until(rig, lambda: _is_ready(rig))

    _run(rig, story)

    folder = rig.disk.open_folder(f"{STORAGE}/{DAY}/A012")
    for entry in rig.inventory.files:
        assert folder.stat(entry.path).mtime_ns == entry.mtime_ns, entry.path


def test_a_bit_flipped_on_the_storage_is_named_and_sent_again_once() -> None:
    """The notice says file, range, both digests and the side; then the roll becomes ready."""
    rig = _rig(big_bytes=17 * MIB)

    async def story(keeper: Keeper) -> None:
        reader = rig.reader()
        await keeper.lacking(rig.roll_id)
        clip_index = [e.path for e in rig.inventory.files].index("Clips/A012C001.mov")
        carry(keeper.receiving, reader, rig.plan.parcels_of_file(clip_index))
        clip = f"{STORAGE}/.syncd/incoming/{rig.roll_id}/roll/Clips/A012C001.mov"
        rig.disk.flip(clip, 16 * MIB + 5)
        reader.close()
        await _bring_lacking(rig, keeper)
        await _until(rig, lambda: "resend" in _kinds(rig))
        assert len(await _bring_lacking(rig, keeper)) == 1
        await _until(rig, lambda: _is_ready(rig))

    _run(rig, story)

    rig.check_published(complete=True)
    with rig.journal.read() as db:
        (notice,) = [row for row in notices.after(db, 0) if row.kind == "resend"]
    data = notice.body["data"]
    assert (data["path"], data["side"]) == ("Clips/A012C001.mov", "storage")
    (bad,) = data["ranges"]
    assert (bad["offset"], bad["length"]) == (16 * MIB, MIB)
    assert bad["expected"] != bad["found"]
    assert data["expected"].startswith("md5:")
    assert data["expected"] != data["found"]


def test_a_file_wrong_twice_holds_the_roll_and_is_not_kept_as_good() -> None:
    """Nothing is published; the hold names the file."""
    rig = _rig()
    path = f"{STORAGE}/.syncd/incoming/{rig.roll_id}/roll/Stills/A012_00001.dpx"

    async def story(keeper: Keeper) -> None:
        for _ in range(2):
            numbers = rig.lacking(await keeper.lacking(rig.roll_id))
            reader = rig.reader()
            carry(keeper.receiving, reader, numbers)
            rig.disk.flip(path, 0)
            reader.close()
            await _until(rig, lambda: bool(rig.row().held) or "resend" in _kinds(rig))
            await rig.clock.sleep(1)
        await _until(rig, lambda: rig.row().held is not None)

    _run(rig, story)

    held = rig.row().held
    assert held is not None
    assert (held.code, held.path) == (HeldCode.READ_BACK_MISMATCH, "Stills/A012_00001.dpx")
    assert "storage side is wrong" in held.message
    assert rig.published() == {}


def test_evidence_that_was_wrong_from_the_start_blames_the_source() -> None:
    """All pieces are as received and the evidence differs: the source side is wrong."""
    rig = _rig()
    folder = rig.disk.open_folder(f"{rig.source}/{DAY}/A012")
    entry = next(e for e in rig.inventory.files if e.path == "Stills/A012_00001.dpx")
    file = folder.open_write(entry.path)
    file.write([memoryview(b"X")], 0)
    file.set_mtime(entry.mtime_ns)
    file.close()

    async def story(keeper: Keeper) -> None:
        await _bring_lacking(rig, keeper)
        await _until(rig, lambda: "resend" in _kinds(rig))

    _run(rig, story)

    with rig.journal.read() as db:
        (notice,) = [row for row in notices.after(db, 0) if row.kind == "resend"]
    assert "source side is wrong" in notice.body["note"]
    assert rig.published() == {}


def test_a_name_that_is_taken_holds_the_roll_and_changes_nothing() -> None:
    """What lies under the name stays exactly as it is; moved away, the roll goes on."""
    rig = _rig()
    rig.disk.make_root(f"{STORAGE}/{DAY}/A012")
    rig.disk.open_folder(f"{STORAGE}/{DAY}/A012").make_new_file("theirs", b"1")

    async def story(keeper: Keeper) -> None:
        await _bring_lacking(rig, keeper)
        await _until(rig, lambda: rig.row().held is not None)
        held = rig.row().held
        assert held is not None
        assert held.code is HeldCode.NAME_TAKEN
        assert rig.published() == {"theirs": b"1"}
        root = rig.disk.open_folder(STORAGE)
        root.rename_new(f"{DAY}/A012", f"{DAY}/A012 (1)")
        with rig.journal.write() as db:
            rolls.release(db, rig.roll_id, now_utc_ms=0)
        await _until(rig, lambda: _is_ready(rig))

    _run(rig, story)

    rig.check_published(complete=True)


def test_a_roll_whose_rename_could_not_be_synced_is_found_published_once_a_person_says_go() -> None:
    """What lies under the name is the roll itself: it is neither sent again nor called taken."""
    rig = _rig()

    def fail_after_the_rename(op: str, path: str) -> None:
        if op == "sync_folder" and rig.published():
            rig.disk.at_op = None
            raise OSError(errno.EIO, os.strerror(errno.EIO), path)

    async def story(keeper: Keeper) -> None:
        await _bring_lacking(rig, keeper)
        rig.disk.at_op = fail_after_the_rename
        await _until(rig, lambda: rig.row().held is not None)
        held = rig.row().held
        assert held is not None
        assert held.code is HeldCode.STORAGE_ERROR
        with rig.journal.write() as db:
            rolls.release(db, rig.roll_id, now_utc_ms=0)
        await _until(rig, lambda: _is_ready(rig))

    _run(rig, story)

    rig.check_published(complete=True)
    assert "resend" not in _kinds(rig)
    assert _kinds(rig).count("ready") == 1


@pytest.mark.parametrize("code", [errno.ENOSPC, errno.ENODEV])
def test_a_storage_that_is_full_or_away_for_a_while_cures_itself(code: int) -> None:
    """The roll is held with the reason, and goes on without anybody's help."""
    rig = _rig()

    async def story(keeper: Keeper) -> None:
        await keeper.lacking(rig.roll_id)
        rig.disk.fail_next("sync", code)
        with pytest.raises(Exception, match="storage"):
            await _bring_lacking(rig, keeper)
        await _until(rig, lambda: rig.row().held is not None)
        await _until(rig, lambda: rig.row().held is None)
        await _bring_lacking(rig, keeper)
        await _until(rig, lambda: _is_ready(rig))

    _run(rig, story)

    rig.check_published(complete=True)
    assert "held" in _kinds(rig)
    assert "released" in _kinds(rig)


@pytest.mark.parametrize("is_away", [False, True])
def test_a_journal_that_cannot_be_written_is_said_a_few_times_and_not_at_each_try(
    is_away: bool, caplog: pytest.LogCaptureFixture
) -> None:
    """A roll to be proved, or to be held, tries every 2 s and fills no log; then it is ready."""
    rig = _rig()
    caplog.set_level("INFO", "syncd.storage.keeper")

    async def story(keeper: Keeper) -> None:
        await _bring_lacking(rig, keeper)
        rig.journal.lose("cannot be written")
        if is_away:
            rig.disk.take_away(STORAGE)
        await rig.clock.sleep(100)
        assert 1 <= len(caplog.records) <= 4, caplog.messages
        assert "cannot be written" in caplog.messages[0]
        if is_away:
            rig.disk.bring_back(STORAGE)
        rig.journal.find()
        await _until(rig, lambda: _is_ready(rig))

    _run(rig, story)

    over = [line for line in caplog.messages if "can be written again" in line]
    assert len(over) == 1, caplog.messages
    rig.check_published(complete=True)


def test_an_unmounted_storage_is_waited_for() -> None:
    """Nothing is written below the empty path, and the roll goes on after the mount."""
    rig = _rig()

    async def story(keeper: Keeper) -> None:
        await _bring_lacking(rig, keeper)
        rig.disk.take_away(STORAGE)
        await rig.clock.sleep(10)
        held = rig.row().held
        assert held is not None
        assert held.code is HeldCode.STORAGE_ABSENT
        assert "--mark" in held.message
        rig.disk.bring_back(STORAGE)
        await _until(rig, lambda: _is_ready(rig))

    _run(rig, story)

    rig.check_published(complete=True)


def test_a_storage_that_lost_what_was_journalled_gets_it_again() -> None:
    """Parcels that the journal has and the storage does not are lacking again after a start."""
    rig = _rig()
    receiving, _ = rig.receiving()
    carry(receiving, rig.reader(), range(rig.plan.count))
    rig.disk.open_folder(STORAGE).remove_tree(".syncd")

    async def story(keeper: Keeper) -> None:
        assert len(await _bring_lacking(rig, keeper)) == rig.plan.count
        await _until(rig, lambda: _is_ready(rig))

    _run(rig, story)

    rig.check_published(complete=True)


async def _live(rig: Rig) -> None:
    """One life of the receiving box, from its start until the roll is ready or the power goes."""
    keeper = rig.keeper()

    async def story() -> None:
        await _bring_lacking(rig, keeper)
        await _until(rig, lambda: _is_ready(rig))

    await _kept(keeper, story)


def _is_crash(error: BaseException) -> bool:
    if isinstance(error, BaseExceptionGroup):
        return all(_is_crash(inner) for inner in error.exceptions)
    return isinstance(error, SimCrash)


def _crashed(rig: Rig) -> bool:
    """Live once; tell whether the power went before the end."""
    try:
        run_simulated(_live(rig), limit_s=60)
    except BaseException as error:
        if not _is_crash(error):
            raise
        return True
    return False


@pytest.mark.parametrize("small", [3, 12])
def test_power_lost_at_any_step_never_shows_a_wrong_roll_and_it_is_finished_later(
    small: int,
) -> None:
    """Every operation of receiving, proving, sealing and publishing is the last one, once.

    After each: the path is absent or complete (promise 1), and the next start finishes the roll.
    """
    at = 0
    while True:
        rig = _rig(small=small)
        disk: SimDisk = rig.disk
        disk.crash_at_op = disk.ops + 1 + at
        if not _crashed(rig):
            break
        disk.crash(random.Random(at))
        rig.check_published(complete=False)
        assert not _crashed(rig), f"crash at operation {at} was not recovered from"
        rig.check_published(complete=True)
        rig.journal.close()
        at += 1
    assert at > 50


@pytest.mark.parametrize("seed", range(20))
def test_power_lost_again_and_again_is_survived(seed: int) -> None:
    """Several crashes in a row, at random steps."""
    rng = random.Random(seed)
    rig = _rig(small=12)
    disk: SimDisk = rig.disk
    for _ in range(8):
        disk.crash_at_op = disk.ops + rng.randrange(1, 220)
        _crashed(rig)
        disk.crash(rng)
        rig.check_published(complete=False)
    assert not _crashed(rig)
    rig.check_published(complete=True)


async def test_a_roll_is_kept_on_a_real_disk_too(tmp_path: Path) -> None:
    """With threads, direct reads and a bit flipped by another process; the rest is the same."""
    disk = RealDisk()
    for name in ("source", "storage"):
        (tmp_path / name).mkdir()
    rig = Rig(
        footage(small=1500, big_bytes=33 * MIB),
        disk=disk,
        clock=LoopClock(),
        source=str(tmp_path / "source"),
        storage=str(tmp_path / "storage"),
    )
    keeper = rig.keeper()

    async def story() -> None:
        numbers = rig.lacking(await keeper.lacking(rig.roll_id))
        reader = rig.reader()
        clip = tmp_path / f"storage/.syncd/incoming/{rig.roll_id}/roll/Clips/A012C001.mov"
        await disk.aside(carry, keeper.receiving, reader, numbers[:2])
        with clip.open("r+b") as file:
            file.seek(5)
            file.write(b"flip")
        while numbers:
            await disk.aside(carry, keeper.receiving, reader, numbers)
            numbers = rig.lacking(await keeper.lacking(rig.roll_id))
        await _until(rig, lambda: "resend" in _kinds(rig))
        await disk.aside(
            carry, keeper.receiving, reader, rig.lacking(await keeper.lacking(rig.roll_id))
        )
        await _until(rig, lambda: _is_ready(rig))
        reader.close()

    await asyncio.wait_for(_kept(keeper, story), 60)

    published = tmp_path / "storage" / DAY / "A012"
    for path, data in rig.files.items():
        assert (published / path).read_bytes() == data
    assert (published / "Empty/Inner").is_dir()
    assert not list((tmp_path / "storage/.syncd/incoming").iterdir())
    disk.close()
    rig.journal.close()


def test_a_file_that_changes_between_proof_and_sealing_is_not_published() -> None:
    """Sizes are compared once more when the roll is sealed; the file is then made anew."""
    rig = _rig()
    receiving, roll = rig.receiving()
    carry(receiving, rig.reader(), range(rig.plan.count))
    results = dict(prove_files(roll, roll.files_to_prove()))
    proofs = {index: proof for index, proof in results.items() if isinstance(proof, Proof)}
    with rig.journal.write() as db:
        assert roll.record_proofs(db, proofs, roll.version, 0)
    path = f"{STORAGE}/.syncd/incoming/{rig.roll_id}/roll/Stills/A012_00001.dpx"
    folder, _, name = path.rpartition("/")
    file = rig.disk.open_folder(folder).open_write(name)
    file.write([memoryview(b"more")], len(rig.files["Stills/A012_00001.dpx"]))

    async def story(keeper: Keeper) -> None:
        await _until(rig, lambda: "resend" in _kinds(rig))
        assert rig.published() == {}
        assert len(await _bring_lacking(rig, keeper)) == 1
        await _until(rig, lambda: _is_ready(rig))

    _run(rig, story)
    rig.check_published(complete=True)


def test_a_stored_file_that_became_longer_is_made_anew() -> None:
    """Writing over it would leave the tail; it is removed from incoming and received again."""
    rig = _rig()
    receiving, _ = rig.receiving()
    carry(receiving, rig.reader(), range(rig.plan.count))
    folder = rig.disk.open_folder(f"{STORAGE}/.syncd/incoming/{rig.roll_id}/roll/Stills")
    file = folder.open_write("A012_00001.dpx")
    file.write([memoryview(b"more")], len(rig.files["Stills/A012_00001.dpx"]))

    async def story(keeper: Keeper) -> None:
        await _until(rig, lambda: "resend" in _kinds(rig))
        await rig.clock.sleep(1)
        await _bring_lacking(rig, keeper)
        await _until(rig, lambda: _is_ready(rig))

    _run(rig, story)
    rig.check_published(complete=True)


def test_proofs_taken_before_a_parcel_was_lost_count_for_nothing() -> None:
    """What was read says nothing about what is received in its place."""
    rig = _rig()
    receiving, roll = rig.receiving()
    carry(receiving, rig.reader(), range(rig.plan.count))
    version = roll.version
    with rig.journal.write() as db:
        roll.forget(db, [0])
    carry(receiving, rig.reader(), [0])

    proof = {0: Proof((), ReadLevel.DIRECT)}
    assert not record_proofs(rig.journal, roll, proof, version, now_utc_ms=0)

    with rig.journal.read() as db:
        assert parcels.proofs(db, rig.roll_id) == {}
    assert 0 in roll.files_to_prove()


def test_a_published_roll_has_one_generation_more_and_is_the_same_roll() -> None:
    """The history is complete, vouches for every file, and leaves the list that came with it."""
    rig = _rig()

    async def story(keeper: Keeper) -> None:
        await _bring_lacking(rig, keeper)
        await _until(rig, lambda: _is_ready(rig))

    _run(rig, story)

    found = rig.published()
    (history,) = read_histories(found, lambda path: found[path])
    assert len(history.chain) == 1
    assert set(history.files) == set(rig.files)
    assert history.files["Sidecar.txt"].size_bytes == 0
    with rig.journal.read() as db:
        published = rolls.load_published_inventory(db, rig.roll_id)
    assert published.roll_id == rig.roll_id
    assert {entry.path for entry in published.files} == set(found)
    assert compare_with_published(rig.area(), rig.inventory) is Comparison.SAME


def test_a_roll_that_came_with_a_history_gains_a_generation() -> None:
    """The received manifests stay as they are; the chain names one more."""
    first = _rig()

    async def story(keeper: Keeper) -> None:
        await _bring_lacking(first, keeper)
        await _until(first, lambda: _is_ready(first))

    _run(first, story)
    received = first.published()
    rig = Rig(received, clock=LoopClock())

    async def again(keeper: Keeper) -> None:
        await _bring_lacking(rig, keeper)
        await _until(rig, lambda: _is_ready(rig))

    _run(rig, again)

    found = rig.published()
    (history,) = read_histories(found, lambda path: found[path])
    assert [entry.number for entry in history.chain] == [1, 2]
    for path, data in received.items():
        if not path.endswith("ascmhl_chain.xml"):
            assert found[path] == data
