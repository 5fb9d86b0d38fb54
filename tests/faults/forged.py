"""Parcels that a paired box sends of a roll that is not its own, or in a state of before.

Owns: making them so that nothing but the sender is wrong about them.
"""

from contextlib import suppress

import xxhash

from syncd.errors import LinkLostError
from syncd.roll.parcels import ParcelPlan
from syncd.wire.frames import Conversation, Role
from syncd.wire.keys import LaneKeys
from syncd.wire.lane_events import ParcelHead
from syncd.wire.lane_talk import Talk
from syncd.wire.messages import OpenLane
from syncd.wire.seal import RECORD_SIZE_MAX
from tests.faults.world import World


async def send_forged(
    world: World,
    dialler: str,
    roll_id: str,
    plan: ParcelPlan,
    number: int,
    *,
    evidence: bytes = b"",
) -> None:
    """Send a parcel of zeros on a lane of dialler's own, with digests that are theirs.

    evidence: what it says that it was cut from, or Offer.state.
    """
    ticket = await world.net.ask(dialler, "process-1", OpenLane(purpose="send"))
    link = await world.net.dial(dialler, "process-1")
    pieces = plan.pieces(number)
    head = ParcelHead(
        roll_id=roll_id,
        number=number,
        data_bytes=plan.length_bytes(number),
        piece_count=len(pieces),
        evidence=evidence,
    )
    digests = b"".join(xxhash.xxh128_digest(bytes(piece.length_bytes)) for piece in pieces)
    conversation = Conversation(Role.GIVER, LaneKeys(ticket.key), dialled=True)
    talk = Talk(link, world.processing.clock, conversation, None)
    with suppress(LinkLostError):
        await talk.dial(ticket.ticket)
        await talk.say(head)
        sealer = conversation.coverer()
        await talk.say_body(sealer.header)
        plain = memoryview(bytearray(bytes(head.data_bytes) + digests + bytes(1)))
        room = memoryview(bytearray(RECORD_SIZE_MAX))
        assert sealer.next_bytes == head.plain_bytes, "these parcels are small"
        await talk.say_body(*sealer.cover(plain, room))
        await talk.hear(1.0)
    link.close()
