"""What is refused to a paired peer is told once an hour, and fills neither journal nor log."""

import asyncio
import logging
from contextlib import suppress
from dataclasses import replace
from typing import Any

import pytest

from syncd.errors import LinkLostError, PeerRefusedError
from syncd.handoff.refusals import KIND
from syncd.journal import notices
from syncd.journal.notices import NoticeRow
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.parcels import ParcelPlan
from syncd.wire.frames import Conversation, Role
from syncd.wire.keys import LaneKeys
from syncd.wire.lane_events import Event, ParcelHead, Want
from syncd.wire.lane_talk import Talk
from syncd.wire.messages import QUESTIONS, InventoryPage, Listing, Offer, OpenLane, Tidings
from tests.faults.runs import cut_finely
from tests.faults.scenes import clips, moves, order_by_hand, play, put_roll, reaches, row_of
from tests.faults.world import World

OFFER = Offer(
    roll_id="ab" * 16,
    day="2026-03-14_D12",
    name="A012",
    trust="evidence",  # type: ignore[arg-type]
    file_count=1,
    total_bytes=1,
    parcel_count=1,
)


def _told(world: World) -> list[NoticeRow]:
    with world.processing.journal.read() as db:
        return notices.after(db, 0, kinds=[KIND])


async def _refused(world: World, asker: str, question: Any) -> PeerRefusedError:
    with pytest.raises(PeerRefusedError) as refused:
        await world.net.ask(asker, "process-1", question)
    return refused.value


def test_the_wrong_role_is_refused_and_written_down_once() -> None:
    """A thousand tries are one event, which names peer, question and remedy."""
    world = World(1)

    async def scene() -> None:
        await asyncio.sleep(1)
        for _ in range(1000):
            error = await _refused(world, "edit-1", OFFER)
        assert "edit-1 may not offer rolls" in error.problem
        assert error.remedy
        (told,) = _told(world)
        assert told.body["data"]["peer"] == "edit-1"
        assert told.body["data"]["asked"] == "offer"
        assert "may not offer rolls" in told.body["note"]
        assert world.processing.parts is not None
        said = world.processing.parts.desk.refusals.told()["edit-1"].splitlines()
        assert "1,000 times" in said[0]
        assert said[1:] == [error.remedy]
        assert not world.processing.rows()

    play(world, scene)


def _rolls(*paths: str, day: str = "2026-03-14_D12", name: str = "A900") -> Inventory:
    return Inventory(day, name, tuple(FileEntry(path, 1, 0) for path in paths))


HOSTILE = {
    "the part": _rolls("../../outside/a.mov"),
    "empty part": _rolls("/etc/a.mov"),
    "device on Windows": _rolls("CON"),
    "invisible character": _rolls("a\x1b[2J\u202e.mov"),
    "storage's own area": _rolls("a.mov", day=".syncd", name="rolls"),
    "one folder each": _rolls("a.mov", day="a/b", name="c"),
    "are one name": _rolls("Clips/a.mov", "clips/A.mov"),
}


@pytest.mark.parametrize("why", HOSTILE)
def test_a_hostile_name_is_written_down_where_it_was_refused(why: str) -> None:
    """Once, with the peer and what it was, and with a remedy that is true for both boxes."""
    roll = HOSTILE[why]
    world = World(5)

    async def scene() -> None:
        await asyncio.sleep(1)
        for _ in range(20):
            error = await _offered(world, roll)
        assert why in error.problem
        assert "Rename" not in error.remedy, "it is no name on the source that is wrong"
        (told,) = _told(world)
        data = told.body["data"]
        assert (data["peer"], data["asked"], data["code"]) == ("offload-1", "offer", "unfit")
        note = told.body["note"]
        assert note.startswith("From offload-1: ")
        assert why in note
        assert note.isprintable()
        assert world.processing.parts is not None
        first, remedy = world.processing.parts.desk.refusals.told()["offload-1"].splitlines()
        assert (first, remedy) == (f"{note} (20 times)", data["remedy"])

    play(world, scene)


async def _offered(world: World, roll: Inventory, roll_id: str = "") -> PeerRefusedError:
    """Offer a roll as an offload box does, and return the refusal."""
    head = replace(
        OFFER,
        roll_id=roll_id or roll.roll_id,
        day=roll.day,
        name=roll.name,
        file_count=len(roll.files),
        total_bytes=roll.total_bytes,
        parcel_count=ParcelPlan(roll).count,
        evidence=roll.evidence_mark,
    )
    await world.net.ask("offload-1", "process-1", head)
    page = InventoryPage(roll_id=head.roll_id, first=0, files=roll.files)
    await world.net.ask("offload-1", "process-1", page)
    return await _refused(world, "offload-1", head)


@pytest.mark.parametrize("what", ["number", "length", "frame"])
def test_what_a_lane_carries_that_none_may_is_written_down(what: str) -> None:
    """A parcel that the roll has not, one of another length, and a frame of the other end's."""
    world = World(8)

    async def scene() -> None:
        put_roll(world, "A012", clips(world, count=8))
        await moves(world, "A012", 30_000)
        order_by_hand(world.offload, None, paused=True)
        row = row_of(world.processing, "A012")
        assert row is not None
        right = ParcelHead(roll_id=row.roll_id, number=0, data_bytes=1, piece_count=1)
        said = {
            "number": (Role.GIVER, replace(right, number=1 << 20)),
            "length": (Role.GIVER, replace(right, number=row.file_count)),
            "frame": (Role.TAKER, Want(roll_id=row.roll_id, number=0)),
        }
        await _say_on_a_lane(world, *said[what])
        (told,) = _told(world)
        assert (told.body["data"]["asked"], told.body["data"]["code"]) == ("parcel", "unfit")
        assert told.body["note"].startswith("From offload-1: ")
        order_by_hand(world.offload, None, paused=False)
        await reaches(world, "A012")

    with cut_finely():
        play(world, scene)


async def _say_on_a_lane(world: World, role: Role, event: Event) -> None:
    ticket = await world.net.ask("offload-1", "process-1", OpenLane(purpose="send"))
    link = await world.net.dial("offload-1", "process-1")
    lane = Conversation(role, LaneKeys(ticket.key), dialled=True)
    talk = Talk(link, world.processing.clock, lane, None)
    with suppress(LinkLostError):
        await talk.dial(ticket.ticket)
        await talk.say(event)
        await talk.hear(1.0)
    link.close()


def test_an_id_that_its_files_do_not_give_is_written_down() -> None:
    """As names are; and different things that one box sends are told of together, the newest."""
    world = World(6)

    async def scene() -> None:
        await asyncio.sleep(1)
        await _offered(world, HOSTILE["empty part"])
        await _offered(world, _rolls("a.mov"), roll_id="cd" * 16)
        (told,) = _told(world)
        assert "empty part" in told.body["note"]
        assert world.processing.parts is not None
        said = world.processing.parts.desk.refusals.told()["offload-1"]
        assert "does not give the roll id" in said
        assert "(2 times)" in said
        assert not world.processing.rows()

    play(world, scene)


def test_a_path_that_is_long_makes_no_long_line() -> None:
    """What a peer sends decides neither how long an event is nor how long a line of the log."""
    world = World(7)

    async def scene() -> None:
        await asyncio.sleep(1)
        await _offered(world, _rolls("/".join(["b" * 200] * 5) + "/CON"))
        (told,) = _told(world)
        assert len(told.body["note"]) < 600

    play(world, scene)


def test_it_is_told_again_after_an_hour_and_forgotten_meanwhile() -> None:
    """So `syncd check` speaks of today, and the journal of every hour at most."""
    world = World(2)

    async def scene() -> None:
        await asyncio.sleep(1)
        await _refused(world, "edit-1", OFFER)
        await asyncio.sleep(3601)
        assert world.processing.parts is not None
        assert world.processing.parts.desk.refusals.told() == {}
        await _refused(world, "edit-1", OFFER)
        assert len(_told(world)) == 2

    play(world, scene)


def test_what_a_peer_tries_makes_a_bounded_number_of_events(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Whatever it asks, however often: fewer an hour than there are questions."""
    world = World(3)

    async def scene() -> None:
        await asyncio.sleep(1)
        for _ in range(20):
            for question in (OFFER, Tidings(after=0, wait_s=0.0), OpenLane(purpose="send")):
                await _refused(world, "edit-1", question)
            for other in (Listing(), OpenLane(purpose="fetch")):
                await _refused(world, "offload-1", other)
        assert world.processing.parts is not None
        told = world.processing.parts.desk.refusals.told()
        assert list(told) == ["edit-1", "offload-1"]
        lines = [line for line in told["edit-1"].splitlines() if line.endswith("(20 times)")]
        assert len(lines) == 3, "a line for each, and none with them all"

    with caplog.at_level(logging.WARNING, logger="syncd.handoff.refusals"):
        play(world, scene)
    assert len(_told(world)) == 5 <= len(QUESTIONS)
    assert len([each for each in caplog.records if "refusals" in each.name]) == 5


def test_a_ticket_is_issued_for_what_the_role_is_for_alone() -> None:
    """The purpose decides: an offload box fetches nothing, an editorial box sends nothing."""
    world = World(4)

    async def scene() -> None:
        await asyncio.sleep(1)
        await _refused(world, "offload-1", OpenLane(purpose="fetch"))
        await _refused(world, "edit-1", OpenLane(purpose="send"))
        assert await world.net.ask("edit-1", "process-1", OpenLane(purpose="fetch"))

    play(world, scene)
