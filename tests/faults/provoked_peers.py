"""Situations in which a paired peer does what it may not, as provoked.py has them elsewhere.

Owns: questions and lanes that are for another role, parcels of another box's roll, tickets of a box
that is trusted no longer, words of what is over, and more than is honest. Each function raises
AssertionError if a promise is broken.
"""

import asyncio
from contextlib import suppress
from dataclasses import replace

from syncd.errors import LinkLostError, PeerRefusedError
from syncd.handoff.changes import Changes
from syncd.handoff.tidings import TidingsReader
from syncd.journal import notices, rolls
from syncd.limits import EFFORT_TIMES_MAX
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode, Stage
from syncd.wire.frames import Conversation, Role
from syncd.wire.keys import LaneKeys
from syncd.wire.lane_talk import Talk
from syncd.wire.messages import (
    FetchedReport,
    InventoryQuestion,
    LaneTicket,
    Listing,
    OpenLane,
    Tiding,
    Tidings,
    Withhold,
)
from tests.faults.forged import send_forged
from tests.faults.greedy import greedy, no_slack, sent_bytes
from tests.faults.provoked import looked_at, twice_published
from tests.faults.provoked_lanes import opens
from tests.faults.scenes import (
    answers_of,
    clips,
    is_held,
    moves,
    order_by_hand,
    put_roll,
    reaches,
    row_of,
    stored,
    until,
)
from tests.faults.world import DAY, STORAGE, Box, World

SAID_BURST = 20  # words, where a real storage has thousands


@looked_at
async def peer_does_what_its_role_forbids(world: World) -> None:
    """No box gets an answer, or a lane, that is not for its role here; and that is written down."""
    put_roll(world, "A012", clips(world))
    await reaches(world, "A012")
    row = row_of(world.processing, "A012")
    assert row is not None
    forbidden = [
        ("offload-2", OpenLane(purpose="fetch")),
        ("offload-2", Listing()),
        ("offload-2", InventoryQuestion(roll_id=row.roll_id)),
        ("edit-1", OpenLane(purpose="send")),
        ("edit-1", Withhold(roll_id=row.roll_id, code=HeldCode.SOURCE_CHANGED)),
        ("edit-1", Tidings(after=0, wait_s=0.0)),
    ]
    world.rng.shuffle(forbidden)
    for asker, question in forbidden:
        with suppress(PeerRefusedError):
            answer = await world.net.ask(asker, "process-1", question)
            raise AssertionError(f"promise 9: {asker} was answered {answer}")
    with world.processing.journal.read() as db:
        told = sum(event.kind == "refused" for event in notices.after(db, 0))
    assert told == len(forbidden), f"promise 9: {told} refusals were written down"


@looked_at
async def peer_sends_anothers_parcel(world: World) -> None:
    """A parcel of a box's roll that another box brings is not taken, whatever is in it."""
    put_roll(world, "A012", clips(world, count=8))
    await moves(world, "A012", 30_000)
    order_by_hand(world.offload, None, paused=True)
    await asyncio.sleep(1)
    row = row_of(world.processing, "A012")
    assert row is not None
    before = row.moved_bytes
    with world.processing.journal.read() as db:
        plan = ParcelPlan(rolls.load_inventory(db, row.roll_id))
    for number in range(plan.count):
        await send_forged(world, "offload-2", row.roll_id, plan, number)
    row = row_of(world.processing, "A012")
    assert row is not None
    assert row.moved_bytes == before, "promise 9: another box's parcel was taken"
    order_by_hand(world.offload, None, paused=False)
    await reaches(world, "A012")


@looked_at
async def peer_is_forgotten_with_a_ticket_in_its_hand(world: World) -> None:
    """A lane begins for who is trusted now, in the role that it has now; not when it asked."""
    put_roll(world, "A012", clips(world))
    await reaches(world, "A012")
    book, parts = world.processing.book, world.processing.parts
    assert parts is not None
    peer = book.trusted_by_name("offload-2")
    assert peer is not None
    ticket = await world.net.ask("offload-2", "process-1", OpenLane(purpose="send"))
    book.forget(peer.fingerprint)  # and the lanes have not heard of it yet
    assert not await _rides(world, "offload-2", ticket), "promise 9: a forgotten box rides"
    book.trust(peer)
    assert await _rides(
        world,
        "offload-2",
        await world.net.ask("offload-2", "process-1", OpenLane(purpose="send")),
    ), "a box that is trusted rides"
    ticket = await world.net.ask("offload-2", "process-1", OpenLane(purpose="send"))
    book.forget(peer.fingerprint)
    book.trust(replace(peer, roles=frozenset({"editorial"})))
    assert not await _rides(world, "offload-2", ticket), "promise 9: its old role rides"
    ticket = await world.net.ask("offload-2", "process-1", OpenLane(purpose="fetch"))
    book.forget(peer.fingerprint)
    parts.let_go(peer)
    book.trust(replace(peer, roles=frozenset({"editorial"})))  # paired anew
    assert not await opens(world, "offload-2", ticket), "promise 9: a ticket outlived its peer"


@looked_at
async def storage_never_has_enough(world: World) -> None:
    """A roll is sent so often, then held; only a person lets it go on, and other rolls go on."""
    await until(lambda: world.processing.parts and world.offload.parts, "they are up")
    files = clips(world)
    most = (EFFORT_TIMES_MAX + 2) * sum(map(len, files.values()))
    with no_slack(), greedy(world, "A012"):
        put_roll(world, "A012", files)
        try:
            await is_held(world, "A012", HeldCode.STORAGE_ERROR)
        except AssertionError as error:
            raise AssertionError(f"promise 10: {sent_bytes(world)} were sent: {error}") from None
        await asyncio.sleep(world.rng.uniform(20, 60))
        sent = sent_bytes(world)
        assert sent < most, f"promise 10: {sent} were sent, of {most} at most"
        put_roll(world, "B007", clips(world))
        await reaches(world, "B007")
    order_by_hand(world.offload, "A012", go=True)
    await reaches(world, "A012")


@looked_at
async def storage_says_too_much(world: World) -> None:
    """What it says of a roll is told within a budget, and the roll is as it said last."""
    put_roll(world, "A012", clips(world))
    await until(lambda: row_of(world.offload, "A012"), "it is known")
    parts, row = world.offload.parts, row_of(world.offload, "A012")
    assert parts is not None
    assert parts.handover is not None
    assert row is not None
    told_by = Changes(world.offload.clock, SAID_BURST, 0)
    pulse, journal = parts.pulses["process-1"], world.offload.journal
    resend = parts.handover._resend
    reader = TidingsReader(pulse.peer, pulse, journal, parts.ports, resend, told=told_by)
    for turn in range(4 * SAID_BURST):
        kind = ("held", "released")[(turn + world.seed) % 2]
        body = {"note": "", "data": {"code": "storage-error", "message": f"{turn}"}}
        said = Tiding(seq=1, notice_id="x", roll_id=row.roll_id, kind=kind, at_utc_ms=1, body=body)
        with journal.write() as db:
            reader._apply(db, said)
    with world.offload.journal.write() as db:
        is_held_now = rolls.get(db, row.roll_id)
        rolls.release(db, row.roll_id, now_utc_ms=1)
    assert is_held_now is not None
    assert (is_held_now.held is None) is (kind == "released"), "promise 5: it was said otherwise"
    with world.offload.journal.read() as db:
        told = notices.after(db, 0, limit=1000, roll_ids=[row.roll_id], kinds={"held", "released"})
    assert len(told) <= SAID_BURST + 1, (
        f"promise 6: {len(told)} words of a storage fill the journal"
    )
    await reaches(world, "A012")


@twice_published
async def fetch_ends_once_its_roll_is_sent_anew(world: World) -> None:
    """What was fetched of a publication that is gone is no word of the roll that is sent again."""
    put_roll(world, "A012", clips(world))
    await reaches(world, "A012")
    row = row_of(world.offload, "A012")
    assert row is not None
    with world.processing.disk.untroubled():
        world.processing.disk.open_folder(STORAGE).remove_tree(f"{DAY}/A012")
        world.processing.disk.settle()
    await until(lambda: astray_of(world.offload, "A012"), "it is told to be gone")
    world.net.cut(frozenset({"offload-1", "process-1"}))
    await answers_of(world.offload).go("A012")
    report = FetchedReport(roll_id=row.roll_id, digest_check="every file")
    await world.net.ask("edit-1", "process-1", report)
    await asyncio.sleep(world.rng.uniform(1, 20))
    world.net.join()
    try:
        await until(lambda: stored(world, "A012"), "it is published again", limit_s=200)
    except AssertionError as error:
        raise AssertionError(f"promise 4: {error}: {world.stages()}") from None
    await reaches(world, "A012")
    stage = row_of(world.offload, "A012")
    assert stage is not None
    assert stage.stage is Stage.READY, f"promise 6: {stage.stage} is told of what was before"


def astray_of(box: Box, name: str) -> str | None:
    """Return what a box says of a roll that is not where it was published."""
    row = row_of(box, name)
    return None if row is None else row.astray


async def _rides(world: World, dialler: str, ticket: LaneTicket) -> bool:
    """Tell whether a lane stays open once its ticket was shown."""
    link = await world.net.dial(dialler, "process-1")
    talk = Talk(
        link,
        world.processing.clock,
        Conversation(Role.GIVER, LaneKeys(ticket.key), dialled=True),
        None,
    )
    try:
        await talk.dial(ticket.ticket)
        await talk.hear(1.0)
    except LinkLostError:
        return False
    finally:
        link.close()
    return True
