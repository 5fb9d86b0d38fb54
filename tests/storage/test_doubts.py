"""What others do to the incoming folder: nothing false is published, nothing floods."""

import asyncio
import errno
import os
import shutil
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest

from syncd.edges.disk import RealDisk
from syncd.errors import HeldError, LinkLostError
from syncd.journal import notices, rolls
from syncd.journal.parcels import Proof
from syncd.limits import MIB
from syncd.roll.stages import HeldCode, Stage
from syncd.storage.keeper import Keeper
from syncd.storage.layout import stored_path
from syncd.storage.outcomes import record_proofs
from syncd.storage.proving import prove_files
from syncd.storage.receiving import TOUCHES_MAX
from tests.faults.sim_disk import SimFile
from tests.faults.strikes_edits import edit_in_place, make_times_up
from tests.faults.virtual_time import run_simulated
from tests.storage.rig import DAY, STORAGE, LoopClock, Rig, carry, footage

STILL = "Stills/A012_00001.dpx"


async def _tell(rig: Rig, story: Callable[[Keeper], Coroutine[Any, Any, None]]) -> None:
    """Run a keeper until the story has been told."""
    keeper = rig.keeper()
    keeping = asyncio.ensure_future(keeper.run())
    telling = asyncio.ensure_future(story(keeper))
    try:
        await asyncio.wait({keeping, telling}, return_when=asyncio.FIRST_COMPLETED)
        assert telling.done(), keeping.result()
        telling.result()
    finally:
        for task in (keeping, telling):
            task.cancel()
        await asyncio.gather(keeping, telling, return_exceptions=True)


async def _finish(rig: Rig, keeper: Keeper) -> None:
    """Bring what is lacking, as a sender that tries again, until the roll is ready."""
    reader = rig.reader()
    while rig.row().stage is not Stage.READY:
        assert rig.row().held is None, rig.row().held
        try:
            numbers = rig.lacking(await keeper.lacking(rig.roll_id))
            await rig.disk.aside(carry, keeper.receiving, reader, numbers)
        except LinkLostError:
            pass
        await rig.clock.sleep(0.05)
    reader.close()


def _notes(rig: Rig, kind: str) -> list[dict[str, Any]]:
    with rig.journal.read() as db:
        return [row.body for row in notices.after(db, 0) if row.kind == kind]


def _prove_all(rig: Rig) -> None:
    """Receive and prove the whole roll, as a box does that is paused before it publishes."""
    receiving, roll = rig.receiving()
    reader = rig.reader()
    carry(receiving, reader, range(rig.plan.count))
    reader.close()
    proofs = {i: p for i, p in prove_files(roll, roll.files_to_prove()) if isinstance(p, Proof)}
    assert record_proofs(rig.journal, roll, proofs, roll.version, now_utc_ms=0)
    assert roll.is_all_proved


def _sim_rig() -> Rig:
    return Rig(footage(), clock=LoopClock())


def _real_rig(tmp_path: Path, **shape: int) -> Rig:
    for name in ("source", "storage"):
        (tmp_path / name).mkdir()
    source, storage = str(tmp_path / "source"), str(tmp_path / "storage")
    return Rig(footage(**shape), disk=RealDisk(), clock=LoopClock(), source=source, storage=storage)


def _open_incoming(rig: Rig, path: str) -> Any:
    folder = rig.disk.open_folder(f"{STORAGE}/.syncd/incoming/{rig.roll_id}/roll")
    return folder.open_write(path)


def _check_real(rig: Rig, tmp_path: Path) -> None:
    for path, data in rig.files.items():
        assert (tmp_path / "storage" / DAY / "A012" / path).read_bytes() == data
    rig.disk.close()


def _check_repaired(rig: Rig) -> None:
    (note,) = _notes(rig, "note")
    assert STILL in note["note"]
    (resend,) = _notes(rig, "resend")
    assert (resend["data"]["path"], resend["data"]["side"]) == (STILL, "storage")
    assert _notes(rig, "held") == []


def test_a_byte_changed_between_proof_and_publishing_is_found_named_and_repaired() -> None:
    """The size is right and only the time tells: the file is read back again, and sent again."""
    rig = _sim_rig()
    _prove_all(rig)
    first = rig.files[STILL][0]
    _open_incoming(rig, STILL).write([memoryview(bytes([first ^ 1]))], 0)

    run_simulated(_tell(rig, lambda keeper: _finish(rig, keeper)), limit_s=120)

    rig.check_published(complete=True)
    _check_repaired(rig)


async def test_a_byte_changed_on_a_real_disk_is_found_named_and_repaired(tmp_path: Path) -> None:
    """As above, with another process's write."""
    rig = _real_rig(tmp_path)
    _prove_all(rig)
    changed = tmp_path / f"storage/.syncd/incoming/{rig.roll_id}/roll/{STILL}"
    with changed.open("r+b") as file:
        file.write(bytes([rig.files[STILL][0] ^ 1]))

    await asyncio.wait_for(_tell(rig, lambda keeper: _finish(rig, keeper)), 30)

    _check_real(rig, tmp_path)
    _check_repaired(rig)


def test_a_byte_changed_behind_size_and_time_is_found_named_and_repaired() -> None:
    """Whoever sets the time back cannot set the change time."""
    rig = _sim_rig()
    _prove_all(rig)
    edit_in_place(rig.disk, f"{STORAGE}/.syncd/incoming/{rig.roll_id}/roll/{STILL}", 0, 0)

    run_simulated(_tell(rig, lambda keeper: _finish(rig, keeper)), limit_s=120)

    rig.check_published(complete=True)
    _check_repaired(rig)


async def test_a_byte_changed_behind_size_and_time_on_a_real_disk_is_found(tmp_path: Path) -> None:
    """As above, as `touch -r` does it."""
    rig = _real_rig(tmp_path)
    _prove_all(rig)
    await asyncio.sleep(0.02)  # the clock of change times ticks in milliseconds, up to ten of them
    changed = tmp_path / f"storage/.syncd/incoming/{rig.roll_id}/roll/{STILL}"
    before = changed.stat()
    with changed.open("r+b") as file:
        file.write(bytes([rig.files[STILL][0] ^ 1]))
    os.utime(changed, ns=(before.st_atime_ns, before.st_mtime_ns))

    await asyncio.wait_for(_tell(rig, lambda keeper: _finish(rig, keeper)), 30)

    _check_real(rig, tmp_path)
    _check_repaired(rig)


async def test_files_that_only_have_other_permissions_are_read_back_and_published(
    tmp_path: Path,
) -> None:
    """Change times are other ones, bytes are not: one note, nothing travels, nothing is held."""
    rig = _real_rig(tmp_path)
    _prove_all(rig)
    await asyncio.sleep(0.02)
    for entry in rig.inventory.files:
        (tmp_path / "storage" / stored_path(rig.roll_id, entry)).chmod(0o640)

    await asyncio.wait_for(_tell(rig, lambda keeper: _finish(rig, keeper)), 30)

    _check_real(rig, tmp_path)
    (note,) = _notes(rig, "note")
    assert "read back again" in note["note"]
    assert _notes(rig, "resend") == _notes(rig, "held") == []


def test_a_storage_that_makes_change_times_up_is_published_to(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Another one at each look says nothing: read back a few times more, then it goes on."""
    rig = _sim_rig()
    make_times_up(monkeypatch)

    run_simulated(_tell(rig, lambda keeper: _finish(rig, keeper)), limit_s=120)

    rig.check_published(complete=True)
    assert len(_notes(rig, "note")) == TOUCHES_MAX + 1
    assert _notes(rig, "resend") == _notes(rig, "held") == []


def test_proofs_of_an_older_journal_are_taken_anew() -> None:
    """It has no change times: what it calls proved is read back once more, and nothing travels."""
    rig = _sim_rig()
    _prove_all(rig)
    with rig.journal.write() as db:
        db.execute("DELETE FROM good_at")
    read: list[str] = []
    rig.disk.at_op = lambda op, path: read.append(path) if op == "open_read" else None

    run_simulated(_tell(rig, lambda keeper: _finish(rig, keeper)), limit_s=120)

    rig.check_published(complete=True)
    assert any(path.endswith(f"/roll/{STILL}") for path in read)
    assert _notes(rig, "note") == _notes(rig, "resend") == []


def test_a_file_that_was_only_touched_is_read_back_again_and_has_its_time() -> None:
    """A server that sets the time late costs one more read, and nothing travels."""
    rig = _sim_rig()
    _prove_all(rig)
    _open_incoming(rig, STILL).set_mtime(1_600_000_000_123_456_789)

    run_simulated(_tell(rig, lambda keeper: _finish(rig, keeper)), limit_s=120)

    rig.check_published(complete=True)
    assert len(_notes(rig, "note")) == 1
    assert _notes(rig, "resend") == []
    there = rig.disk.open_folder(f"{STORAGE}/{DAY}/A012").stat(STILL)
    assert there.mtime_ns == next(e.mtime_ns for e in rig.inventory.files if e.path == STILL)


def test_a_storage_that_keeps_no_times_is_published_to_after_one_more_read(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What it shows when the file is read back again will do; it does not go round for ever."""
    rig = _sim_rig()
    monkeypatch.setattr(SimFile, "set_mtime", lambda _self, _mtime_ns: None)

    run_simulated(_tell(rig, lambda keeper: _finish(rig, keeper)), limit_s=120)

    rig.check_published(complete=True)
    assert len(_notes(rig, "note")) == 1


def test_a_file_that_changes_after_every_proof_holds_the_roll() -> None:
    """Somebody writes to it all the time: a person is told, and nothing is published."""
    rig = _sim_rig()
    _prove_all(rig)
    first = memoryview(rig.files[STILL][:1])

    async def story(_keeper: Keeper) -> None:
        file = _open_incoming(rig, STILL)
        file.write([first], 0)
        told = 0
        while rig.row().held is None:
            if len(_notes(rig, "note")) > told:
                told += 1
                file.write([first], 0)
            await asyncio.sleep(0)

    run_simulated(_tell(rig, story), limit_s=120)

    held = rig.row().held
    assert held is not None
    assert (held.code, held.path) == (HeldCode.READ_BACK_MISMATCH, STILL)
    assert rig.published() == {}


@pytest.mark.parametrize("part", ["", "/roll", "/roll/Stills", "/evidence"])
def test_an_incoming_folder_removed_under_a_roll_comes_again(part: str) -> None:
    """While it moves, and once it is proved: asked for once each, and nothing is held."""
    rig = _sim_rig()
    _prove_all(rig)
    rig.disk.open_folder(STORAGE).remove_tree(f".syncd/incoming/{rig.roll_id}{part}")

    run_simulated(_tell(rig, lambda keeper: _finish(rig, keeper)), limit_s=120)

    rig.check_published(complete=True)
    assert _notes(rig, "held") == []


@pytest.mark.parametrize("moved_away", [False, True])
async def test_a_roll_whose_folder_goes_while_it_moves_is_not_held(
    tmp_path: Path, moved_away: bool
) -> None:
    """The folders that were open are not written to any more; one notice, and the roll is ready."""
    rig = _real_rig(tmp_path, small=40, big_bytes=33 * MIB)
    incoming = tmp_path / f"storage/.syncd/incoming/{rig.roll_id}"

    async def story(keeper: Keeper) -> None:
        reader = rig.reader()
        numbers = rig.lacking(await keeper.lacking(rig.roll_id))
        await rig.disk.aside(carry, keeper.receiving, reader, numbers[:-1])
        reader.close()
        if moved_away:
            incoming.rename(tmp_path / "storage/elsewhere")
        else:
            shutil.rmtree(incoming)
        await _finish(rig, keeper)

    await asyncio.wait_for(_tell(rig, story), 60)

    _check_real(rig, tmp_path)
    assert _notes(rig, "held") == []
    (resend,) = _notes(rig, "resend")
    assert resend["data"]["path"] in rig.files


def test_files_that_go_a_second_time_hold_the_roll_once() -> None:
    """A person is to find out who removes them; it is told once, and stays held."""
    rig = _sim_rig()

    async def story(keeper: Keeper) -> None:
        reader = rig.reader()
        for _ in range(2):
            numbers = rig.lacking(await keeper.lacking(rig.roll_id))
            with rig.journal.write() as db:
                rolls.set_paused(db, None, True)
            carry(keeper.receiving, reader, numbers)
            rig.disk.open_folder(STORAGE).remove_tree(f".syncd/incoming/{rig.roll_id}")
            with rig.journal.write() as db:
                rolls.set_paused(db, None, False)
            await rig.clock.sleep(5)
        await rig.clock.sleep(600)

    run_simulated(_tell(rig, story), limit_s=900)

    (held,) = _notes(rig, "held")
    assert held["data"]["code"] == HeldCode.STORAGE_ERROR
    assert "second time gone" in held["note"]
    assert rig.published() == {}


def test_a_quota_that_a_look_does_not_show_is_not_told_every_two_seconds() -> None:
    """The disk says it has room and every write fails: the roll is tried less and less often."""
    rig = _sim_rig()
    rig.disk.fail_next("sync_all", errno.EDQUOT, times=10_000)
    rig.disk.fail_next("sync", errno.EDQUOT, times=10_000)

    async def story(keeper: Keeper) -> None:
        reader = rig.reader()
        for _ in range(1800):
            if rig.row().held is None:
                with pytest.raises(HeldError):
                    carry(keeper.receiving, reader, range(rig.plan.count))
            await rig.clock.sleep(1)

    run_simulated(_tell(rig, story), limit_s=3600)

    assert 5 < len(_notes(rig, "held")) < 15


def test_a_storage_that_fills_up_midway_is_told_with_what_the_roll_lacks() -> None:
    """The amount to free is that of the rest of the roll, not nothing."""
    rig = Rig(footage(big_bytes=40 * MIB), clock=LoopClock())
    receiving, _ = rig.receiving()
    rig.disk.full_after(0)

    with pytest.raises(HeldError, match=r"42 MB are needed.* Free 42 MB or more") as error:
        receiving.begin(rig.roll_id, 0)

    assert error.value.code is HeldCode.STORAGE_FULL
