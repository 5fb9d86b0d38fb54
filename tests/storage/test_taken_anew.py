"""An unfinished roll goes on under other evidence: what came in stays, whatever happens."""

import asyncio
import random
from dataclasses import replace

import pytest

from syncd.errors import HeldError
from syncd.journal import parcels, rolls
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileKind, Inventory
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode, Stage
from syncd.storage.keeper import Keeper
from syncd.storage.layout import evidence_root
from syncd.storage.papers import find_parcels
from syncd.storage.troubles import ParcelDamagedError
from tests.faults.scenes import cut_small
from tests.faults.sim_disk import SimCrash
from tests.faults.virtual_time import run_simulated
from tests.storage.rig import STORAGE, LoopClock, Rig, carry, footage, inventory_of, write_parcel

AGAIN = b"# checked twice\n"


@pytest.fixture(autouse=True)
def small_parcels(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut rolls finely."""
    cut_small(monkeypatch)


def under_way() -> Rig:
    """Return a roll of which everything is on the storage, and not proved yet."""
    rig = Rig(footage(big_bytes=20_000), clock=LoopClock())
    receiving, _ = rig.receiving()
    carry(receiving, rig.reader(), range(rig.plan.count))
    return rig


def list_again(rig: Rig, name: str = "A012.md5") -> None:
    """Have other evidence lie on the source from now on; the rig's inventory is the new one."""
    times = {entry.path: entry.mtime_ns for entry in rig.inventory.files}
    data = AGAIN + rig.files.pop("A012.md5")
    rig.files[name] = data
    root = rig.disk.open_folder(rig.source)
    root.replace_file(f"2026-03-14_D12/A012/{name}", data)
    found = root.stat(f"2026-03-14_D12/A012/{name}")
    root.close()
    rig.disk.settle()
    rig.inventory = inventory_of(rig.files, {**times, name: found.mtime_ns})
    rig.plan = ParcelPlan(rig.inventory)


def lacking_of(rig: Rig, keeper: Keeper) -> list[int]:
    """Return the parcels that a roll still lacks."""
    return rig.lacking(run_simulated(keeper.lacking(rig.roll_id), limit_s=60))


def finish(rig: Rig, keeper: Keeper) -> list[int]:
    """Bring what is lacking and let the keeper work until the roll is ready."""
    brought: list[int] = []

    async def story() -> None:
        keeping = asyncio.ensure_future(keeper.run())
        lacking = rig.lacking(await keeper.lacking(rig.roll_id))
        brought.extend(lacking)
        carry(keeper.receiving, rig.reader(), lacking)
        while rig.row().stage is not Stage.READY:
            assert not keeping.done()
            await asyncio.sleep(0.05)
        keeping.cancel()
        await asyncio.gather(keeping, return_exceptions=True)

    run_simulated(story(), limit_s=120)
    return brought


@pytest.mark.parametrize("name", ["A012.md5", "checked.md5"])
def test_only_the_parcel_with_the_new_list_is_lacking(name: str) -> None:
    """The clip stays, and so do the numbers by which its parcels are known."""
    rig = under_way()
    keeper = rig.keeper()
    list_again(rig, name)
    assert keeper.take_anew(rig.inventory)

    folder = rig.disk.open_folder(STORAGE)
    noted = find_parcels(folder, rig.inventory, rig.plan)
    with rig.journal.read() as db:
        numbers = parcels.durable_numbers(db, rig.roll_id)
        assert noted == parcels.piece_digests(db, rig.roll_id, numbers), "should the journal go"
    assert not rig.disk.files_below(f"{STORAGE}/{evidence_root(rig.roll_id)}")
    brought = finish(rig, keeper)
    clip = next(n for n, e in enumerate(rig.inventory.files) if e.path.endswith(".mov"))
    assert len(brought) == 1
    assert not set(brought) & set(rig.plan.parcels_of_file(clip))
    rig.check_published(complete=True)


def test_a_parcel_of_the_cut_before_is_not_taken_for_one_of_this() -> None:
    """Begun before or after, what was read under the old list is sent again as it is cut now."""
    rig = under_way()
    keeper = rig.keeper()
    before, reader = rig.inventory.evidence_mark, rig.reader()
    with rig.journal.write() as db:
        parcels.forget(db, rig.roll_id, [0, 1])
    assert lacking_of(rig, keeper) == [0, 1]
    written = write_parcel(keeper.receiving, reader, 0)
    list_again(rig)
    assert keeper.take_anew(rig.inventory)
    lacking = lacking_of(rig, keeper)

    with pytest.raises(ParcelDamagedError):
        keeper.receiving.commit([written])
    with pytest.raises(HeldError) as refused:
        keeper.receiving.begin(rig.roll_id, 0, before)
    assert refused.value.code is HeldCode.PEER_REFUSED
    keeper.receiving.begin(rig.roll_id, 0, rig.inventory.evidence_mark).abandon()
    assert lacking_of(rig, keeper) == lacking


def test_mismatches_and_proofs_go_with_their_files() -> None:
    """A file that was wrong once is still held when it is wrong again."""
    rig = under_way()
    keeper = rig.keeper()
    old = {entry.path: index for index, entry in enumerate(rig.inventory.files)}
    clip = "Clips/A012C001.mov"
    with rig.journal.write() as db:
        parcels.count_mismatch(db, rig.roll_id, old[clip])
    list_again(rig, "Aaa.md5")
    list_again_before_all = replace(
        rig.inventory,
        files=(
            replace(
                rig.inventory.files[0],
                path="0.md5",
                kind=FileKind.EVIDENCE,
                digests=(Digest(Algorithm.XXH128, bytes(16)),),
            ),
            *rig.inventory.files,
        ),
    )
    keeper.take_anew(list_again_before_all)
    new = {entry.path: index for index, entry in enumerate(list_again_before_all.files)}
    assert new[clip] != old[clip]
    with rig.journal.read() as db:
        assert parcels.mismatches(db, rig.roll_id, new[clip]) == 1
        assert parcels.mismatches(db, rig.roll_id, old[clip]) == 0


def test_a_roll_that_is_published_by_then_stays_as_it_is() -> None:
    """Its evidence was right when it was published; nothing of it is touched."""
    rig = under_way()
    keeper = rig.keeper()
    finish(rig, keeper)
    there = rig.published()
    list_again(rig)
    assert not keeper.take_anew(rig.inventory)
    assert rig.published() == there


def test_power_lost_at_any_step_of_it_costs_no_more_than_that_parcel() -> None:
    """Each operation is the last one, once; told again, the roll goes on under its new evidence."""
    step = 0
    while True:
        step += 1
        rig = under_way()
        keeper = rig.keeper()
        lacking_of(rig, keeper)
        list_again(rig)
        rig.disk.crash_at_op = rig.disk.ops + step
        try:
            keeper.take_anew(rig.inventory)
        except SimCrash:
            rig.disk.crash(random.Random(step))
        else:
            break
        keeper = rig.keeper()
        keeper.take_anew(rig.inventory)
        assert len(finish(rig, keeper)) <= 1 + 1
        rig.check_published(complete=True)
        with rig.journal.read() as db:
            assert _evidence(rolls.load_inventory(db, rig.roll_id)) == _evidence(rig.inventory)
    assert step > 5


def _evidence(inventory: Inventory) -> list[object]:
    return [entry for entry in inventory.files if entry.kind is FileKind.EVIDENCE]
