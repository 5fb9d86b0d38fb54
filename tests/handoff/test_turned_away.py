"""A roll that the storage cannot take: the box that has the storage tells of it, too."""

import asyncio
import logging
from dataclasses import replace
from typing import Any

import pytest

from syncd.handoff.callers import Callers
from syncd.handoff.turned_away import NAMED_MAX, Door
from syncd.journal import notices
from syncd.limits import OFFER_STANDS_S, OFFERS_TURNED_AWAY_MAX, TICK_S
from syncd.node_answers import NodeAnswers
from syncd.roll.inventory import Trust
from syncd.roll.stages import HeldCode
from syncd.wire.messages import Offer, OfferAnswer, OfferKind
from tests.faults.scenes import (
    clips,
    is_held,
    is_up,
    order_by_hand,
    play,
    put_roll,
    reaches,
    stored,
    touch,
    until,
)
from tests.faults.world import DAY, LANDING, Box, World

SECOND = "/media/second"
LOGGER = "syncd.handoff.presence"
pytestmark = pytest.mark.usefixtures("small_parcels")


async def _told(world: World) -> list[str]:
    """Return the lines that `syncd check` on the processing box says of offers; exit code 1."""
    checks = await _checks(world.processing, "offers")
    assert not any(each["ok"] for each in checks)
    return [line for each in checks for line in (*each["message"].splitlines(), each["remedy"])]


async def _checks(box: Box, name: str) -> list[dict[str, Any]]:
    """Return the daemon's checks of that name."""
    parts: Any = box.parts
    nobody: Any = None  # neither keys nor pairing are asked for here
    answers = NodeAnswers(
        parts, box.book, nobody, 0, trusting=nobody, pairing=nobody, measuring=nobody
    )
    return [each for each in await answers._checks() if each["name"] == name]


def _events(world: World) -> list[tuple[str, str | None, dict[str, Any]]]:
    """Return the events of the processing box about no roll of its own."""
    with world.processing.journal.read() as db:
        rows = notices.after(db, 0)
    return [(row.kind, row.body["note"], row.body["data"]) for row in rows if row.roll_id is None]


def test_a_taken_name_is_told_where_the_storage_is_and_the_published_roll_is_left_alone(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Once: who offers it, which name, what to do; the roll of that name here is still ready."""
    world = World(1, landings=("/media/landing", SECOND))

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        assert await _told(world) == []
        before = stored(world, "A012")
        assert [each["ok"] for each in await _checks(world.offload, "rolls")] == [True]
        put_roll(world, "A012", clips(world), landing=SECOND)
        await is_held(world, "A012", HeldCode.NAME_TAKEN)
        for _ in range(2):
            line, remedy = await _told(world)
            assert f"offload-1 offers another roll as {DAY}/A012" in line
            assert "held on offload-1" in remedy
            (held,) = await _checks(world.offload, "rolls")
            assert not held["ok"]
            assert f"{DAY}/A012 held, name-taken: process-1:" in held["message"]
            order_by_hand(world.offload, "A012", go=True)
            await asyncio.sleep(10)
        assert [(row.name, row.held) for row in world.processing.rows()] == [("A012", None)]
        assert stored(world, "A012") == before

    with caplog.at_level(logging.WARNING, "syncd"):
        play(world, scene)
    told = [each.name for each in caplog.records if f"{DAY}/A012" in each.message]
    assert told.count(LOGGER) == 1
    assert told.count("syncd.notices.held_log") == 3, "at first, and after each `go`"
    ((kind, _, data),) = _events(world)
    assert (kind, data["peer"], data["path"]) == ("name-taken", "offload-1", f"{DAY}/A012")


def test_a_roll_without_room_is_told_where_room_has_to_be_made(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Once, with how much it lacks, though offered again and again; and that there is room."""
    world = World(1)

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        world.processing.disk.full_after(20_000)
        put_roll(world, "B007", clips(world))
        await is_held(world, "B007", HeldCode.STORAGE_FULL)
        await asyncio.sleep(3 * OFFER_STANDS_S)
        line, remedy = await _told(world)
        assert f"offload-1 offers {DAY}/B007" in line
        assert "120 kB are needed. Free 100 kB" in line
        assert "Make room" in remedy
        world.processing.disk.be_well()
        await reaches(world, "B007")
        assert await _told(world) == []
        await asyncio.sleep(2 * TICK_S)

    with caplog.at_level(logging.INFO, LOGGER):
        play(world, scene)
    said = [each for each in caplog.records if each.name == LOGGER and "B007" in each.message]
    assert len(said) == 2, [each.message for each in said]
    (full, _, data), (over, note, _) = _events(world)
    assert (full, over) == ("storage-full", "well-again")
    assert (data["path"], data["peer"]) == (f"{DAY}/B007", "offload-1")
    assert f"{DAY}/B007" in str(note)


def test_a_roll_that_is_withdrawn_waits_for_room_no_longer() -> None:
    """Its folder is gone from the landing, so it is not offered any more."""
    world = World(1)

    async def scene() -> None:
        await until(lambda: is_up(world, world.processing), "it runs")
        world.processing.disk.full_after(20_000)
        put_roll(world, "B007", clips(world))
        await is_held(world, "B007", HeldCode.STORAGE_FULL)
        assert len(await _told(world)) == 2
        world.offload.disk.take_away(LANDING)
        await asyncio.sleep(OFFER_STANDS_S + 10)
        assert await _told(world) == []

    play(world, scene)
    assert [kind for kind, _, _ in _events(world)] == ["storage-full", "well-again"]


def test_a_roll_with_a_taken_name_is_told_until_its_folder_is_taken_away() -> None:
    """Nobody offers it again by itself, so the box that offered it says that it is over."""
    world = World(1, landings=(LANDING, SECOND))

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")
        put_roll(world, "A012", clips(world), landing=SECOND)
        await is_held(world, "A012", HeldCode.NAME_TAKEN)
        await asyncio.sleep(10 * OFFER_STANDS_S)
        assert len(await _told(world)) == 2
        with world.offload.disk.untroubled():
            world.offload.disk.open_folder(SECOND).remove_tree(f"{DAY}/A012")
            world.offload.disk.settle()
        touch(world, "A012")
        await asyncio.sleep(120)
        assert await _told(world) == []

    play(world, scene)
    assert [kind for kind, _, _ in _events(world)] == ["name-taken", "well-again"]


class Still:
    """A clock that stands still."""

    def monotonic_s(self) -> float:
        return 100.0

    def utc_ms(self) -> int:
        return 0

    async def sleep(self, seconds: float) -> None: ...


def _answered(code: HeldCode) -> OfferAnswer:
    return OfferAnswer(kind=OfferKind.REFUSE, code=code, message=f"why {code}")


def _offer(number: int, name: str, **more: Any) -> Offer:
    return Offer(
        roll_id=f"{number:032x}",
        day=DAY,
        name=name,
        trust=Trust.EVIDENCE,
        file_count=1,
        total_bytes=1,
        parcel_count=1,
        **more,
    )


def _door() -> Door:
    clock = Still()
    return Door(clock, Callers(clock))


@pytest.mark.parametrize("code", [HeldCode.NAME_TAKEN, HeldCode.STORAGE_FULL])
def test_very_many_offers_of_one_box_hide_no_trouble_of_another(code: HeldCode) -> None:
    """Each has places of its own, and lines in `syncd check`."""
    door = _door()
    for number in range(3 * OFFERS_TURNED_AWAY_MAX):
        door.note("offload-2", _offer(number, f"X{number:03}"), _answered(code))
    door.note("offload-1", _offer(9999, "A012"), _answered(code))
    door.note("offload-2", _offer(8888, "X888"), _answered(code))
    assert sum(each.peer == "offload-2" for each in door.troubles()) == OFFERS_TURNED_AWAY_MAX
    assert [each.path for each in door.troubles() if each.peer == "offload-1"] == [f"{DAY}/A012"]
    told, _ = door.told()
    assert "offload-1 offers" in told
    assert f"{DAY}/A012" in told
    assert f"And {OFFERS_TURNED_AWAY_MAX - NAMED_MAX} more of offload-2." in told
    assert len(told.splitlines()) == NAMED_MAX + 2


def test_what_to_do_about_several_is_said_once_each_in_one_line_each() -> None:
    """Of names that are taken and unsafe; whatever they, and the reasons, are made of."""
    door = _door()
    door.note("offload-1", _offer(1, "A012"), _answered(HeldCode.NAME_TAKEN))
    unsafe = replace(_answered(HeldCode.NAME_UNSAFE), message="Two\nnames.")
    door.note("offload-1", _offer(2, "B\n007"), unsafe)
    told, remedy = door.told()
    assert len(told.splitlines()) == 2
    assert r"Two\x0anames." in told
    assert remedy.count("It is held on offload-1, and what lies here stays as it is.") == 1
    assert "rename the other" in remedy


@pytest.mark.parametrize("code", [HeldCode.NAME_TAKEN, HeldCode.STORAGE_FULL])
def test_no_offer_ends_what_another_box_was_turned_away_with(code: HeldCode) -> None:
    """Neither by replacing it, nor by being the same roll, nor by withdrawing it."""
    door = _door()
    theirs = _offer(1, "A012")
    door.note("offload-1", theirs, _answered(code))
    replacing = _offer(2, "X001", replaces=(theirs.roll_id,))
    taken = OfferAnswer(kind=OfferKind.TAKE)
    for offer in (replacing, theirs):
        for answer in (_answered(HeldCode.STORAGE_ABSENT), taken):
            door.note("offload-2", offer, answer)
    door.note("offload-2", replacing, _answered(code))
    door.withdrawn("offload-2", theirs.roll_id)
    assert f"{DAY}/A012" in [each.path for each in door.troubles() if each.peer == "offload-1"]
    door.note("offload-1", replace(replacing, name="A012"), taken)
    assert [each.peer for each in door.troubles()] == ["offload-2"], "its own it may end"
