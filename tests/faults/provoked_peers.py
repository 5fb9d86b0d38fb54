"""Situations in which a paired peer does what it may not, as provoked.py has them elsewhere.

Owns: questions and lanes that are for another role, parcels of another box's roll, tickets of a box
that is trusted no longer. Each function raises AssertionError if a promise is broken.
"""

import asyncio
from contextlib import suppress
from dataclasses import replace

from syncd.errors import LinkLostError, PeerRefusedError
from syncd.journal import notices, rolls
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode
from syncd.wire.frames import Conversation, Role
from syncd.wire.keys import LaneKeys
from syncd.wire.lane_talk import Talk
from syncd.wire.messages import (
    InventoryQuestion,
    LaneTicket,
    Listing,
    OpenLane,
    Tidings,
    Withhold,
)
from tests.faults.forged import send_forged
from tests.faults.provoked import looked_at
from tests.faults.provoked_lanes import opens
from tests.faults.scenes import clips, moves, order_by_hand, put_roll, reaches, row_of
from tests.faults.world import World


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
