"""How a connection on the bulk port begins, before either end has believed the other.

    listener: LaneNonce     dialler: LaneHello (ticket, proof)     listener: LaneWelcome, sealed

Owns: these first frames, their time limit, and that nothing is answered, kept or used up for one
who does not prove the ticket's key. Must not: open a link, or know what lanes do.
"""

from syncd.errors import LinkLostError, PeerRefusedError
from syncd.limits import GREETING_S, HELLO_BYTES_MAX
from syncd.ports import Clock, Receiving
from syncd.wire.fields import BadMessage
from syncd.wire.frames import LENGTH_BYTES, PeerProtocolError, check_length, frame_bytes
from syncd.wire.lane_events import LANE_VERSION, Event, LaneHello, LaneNonce, decode, encode
from syncd.wire.tickets import Redeemed, Tickets


async def admit(
    link: Receiving, clock: Clock, tickets: Tickets, nonce: bytes, host: str
) -> Redeemed:
    """Greet with nonce and return what the dialler at host has a ticket for.

    Raises LinkLostError (PeerProtocolError if it says something else), PeerRefusedError if it
    speaks another version, or its ticket is not good here.
    """
    await link.send(frame_bytes(encode(LaneNonce(nonce=nonce))))
    return tickets.prove(await read_hello(link, clock), nonce, host)


async def read_hello(link: Receiving, clock: Clock) -> LaneHello:
    """Read the dialler's first frame, and not a byte more, within GREETING_S."""
    event = await _first_frame(link, clock)
    if not isinstance(event, LaneHello):
        raise PeerProtocolError(f"{type(event).__name__} before LaneHello")
    if event.version != LANE_VERSION:
        raise PeerRefusedError(
            f"A lane speaks version {event.version}, this box version {LANE_VERSION}.",
            remedy="Run the same version of syncd on both boxes.",
        )
    return event


async def read_nonce(link: Receiving, clock: Clock) -> bytes:
    """Read the listener's first frame, and not a byte more, within GREETING_S."""
    event = await _first_frame(link, clock)
    if not isinstance(event, LaneNonce):
        raise PeerProtocolError(f"{type(event).__name__} before LaneNonce")
    return event.nonce


async def _first_frame(link: Receiving, clock: Clock) -> Event:
    ends_s = clock.monotonic_s() + GREETING_S
    length = check_length(await _exactly(link, clock, LENGTH_BYTES, ends_s), HELLO_BYTES_MAX)
    try:
        return decode(await _exactly(link, clock, length, ends_s))
    except BadMessage as error:
        raise PeerProtocolError(str(error)) from None


async def _exactly(link: Receiving, clock: Clock, count: int, ends_s: float) -> bytes:
    data = bytearray(count)
    have = 0
    while have < count:
        left_s = ends_s - clock.monotonic_s()
        if left_s <= 0:
            raise LinkLostError(
                f"A connection brought no welcome and no ticket within {GREETING_S:.0f} s.",
                remedy="Nothing to do, unless it is a port scan.",
            )
        have += await link.receive_into(memoryview(data)[have:], left_s)
    return bytes(data)
