"""A file without evidence is sent anew as a whole: nothing counts that was sent of it before."""

import random

import pytest

from syncd.errors import HeldError
from syncd.journal import parcels
from syncd.roll.stages import HeldCode
from syncd.storage.keeper import Keeper
from syncd.storage.papers import find_parcels
from syncd.storage.receiving import Sink
from syncd.storage.troubles import ParcelDamagedError
from tests.faults.scenes import cut_small
from tests.faults.sim_disk import SimCrash
from tests.faults.virtual_time import run_simulated
from tests.storage.rig import STORAGE, LoopClock, Rig, carry, footage, write_parcel

CLIP = "Clips/A012C001.mov"
BEFORE, NOW, LATER = b"state before", b"state of now", b"state later"


@pytest.fixture(autouse=True)
def small_parcels(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut rolls finely."""
    cut_small(monkeypatch)


def under_way() -> tuple[Rig, Keeper, list[int]]:
    """Return a roll of which all but a clip's last parcel is there, and that clip's parcels."""
    rig = Rig(footage(big_bytes=20_000), clock=LoopClock())
    receiving, _ = rig.receiving()
    index = next(n for n, entry in enumerate(rig.inventory.files) if entry.path == CLIP)
    own = list(rig.plan.parcels_of_file(index))
    assert len(own) > 1
    carry(receiving, rig.reader(), set(range(rig.plan.count)) - {own[-1]})
    keeper = rig.keeper()
    keeper.go_on(rig.roll_id, BEFORE, (), spent)
    assert lacking_of(rig, keeper) == own[-1:]
    return rig, keeper, own


def spent() -> None:
    """Stand for a budget that never ends."""


def lacking_of(rig: Rig, keeper: Keeper) -> list[int]:
    """Return the parcels that a roll still lacks."""
    return rig.lacking(run_simulated(keeper.lacking(rig.roll_id), limit_s=60))


def test_the_parcels_of_that_file_are_lacking_and_no_others() -> None:
    """The storage's own record says so, too, should the journal go; the history says why."""
    rig, keeper, own = under_way()
    keeper.go_on(rig.roll_id, NOW, (CLIP,), spent)
    assert lacking_of(rig, keeper) == own
    noted = find_parcels(rig.disk.open_folder(STORAGE), rig.inventory, rig.plan)
    assert set(noted) == set(range(rig.plan.count)) - set(own)
    again = rig.keeper()
    assert lacking_of(rig, again) == own


def test_an_offer_that_comes_twice_has_the_file_sent_anew_once() -> None:
    """What came in between is not forgotten; of another state it would be."""
    rig, keeper, own = under_way()
    keeper.go_on(rig.roll_id, NOW, (CLIP,), spent)
    keeper.receiving.commit([_written(rig, keeper, own[0], NOW)])
    keeper.go_on(rig.roll_id, NOW, (CLIP,), spent)
    assert lacking_of(rig, keeper) == own[1:]
    keeper.go_on(rig.roll_id, LATER, (CLIP,), spent)
    assert lacking_of(rig, keeper) == own


@pytest.mark.parametrize("anew", [(CLIP,), ()])
def test_no_parcel_of_the_state_before_is_taken_any_more(anew: tuple[str, ...]) -> None:
    """Neither one that is written already, nor one that a lane brings late."""
    rig, keeper, own = under_way()
    written = _written(rig, keeper, own[-1], BEFORE)
    keeper.go_on(rig.roll_id, NOW, anew, spent)

    with pytest.raises(ParcelDamagedError):
        keeper.receiving.commit([written])
    for state in (BEFORE, rig.inventory.evidence_mark, b""):
        with pytest.raises(HeldError) as refused:
            keeper.receiving.begin(rig.roll_id, own[-1], state)
        assert refused.value.code is HeldCode.PEER_REFUSED
    keeper.receiving.begin(rig.roll_id, own[-1], NOW).abandon()
    assert lacking_of(rig, keeper) == (own if anew else own[-1:])


def test_a_budget_that_is_spent_leaves_all_as_it_was() -> None:
    """A peer that names another state at each offer does not fill the journal."""
    rig, keeper, own = under_way()

    def is_spent() -> None:
        raise HeldError(HeldCode.PEER_REFUSED, "Too often.", remedy="Wait.")

    with pytest.raises(HeldError):
        keeper.go_on(rig.roll_id, NOW, (CLIP,), is_spent)
    assert lacking_of(rig, keeper) == own[-1:]
    keeper.receiving.begin(rig.roll_id, own[-1], BEFORE).abandon()


def test_power_lost_at_any_step_of_it_leaves_nothing_of_the_file_once_it_is_told_again() -> None:
    """Each operation is the last one, once; with the journal or without, what is there is right."""
    step = 0
    while True:
        step += 1
        rig, keeper, own = under_way()
        rig.disk.crash_at_op = rig.disk.ops + step
        try:
            keeper.go_on(rig.roll_id, NOW, (CLIP,), spent)
        except SimCrash:
            rig.disk.crash(random.Random(step))
        else:
            break
        keeper = rig.keeper()
        keeper.go_on(rig.roll_id, NOW, (CLIP,), spent)
        assert lacking_of(rig, keeper) == own
        noted = find_parcels(rig.disk.open_folder(STORAGE), rig.inventory, rig.plan)
        with rig.journal.read() as db:
            assert noted.keys() == parcels.durable_numbers(db, rig.roll_id)
    assert step > 3


def _written(rig: Rig, keeper: Keeper, number: int, state: bytes) -> Sink:
    reader = rig.reader()
    reader.evidence = state
    return write_parcel(keeper.receiving, reader, number)
