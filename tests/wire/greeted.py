"""The listener's part of a greeting, for lanes in memory whose key is known without a ticket."""

from syncd.ports import Clock, Link
from syncd.wire.frames import frame_bytes
from syncd.wire.greeting import read_hello
from syncd.wire.keys import LaneKeys
from syncd.wire.lane_events import LaneNonce, encode

NONCE = b"n" * 16


async def greeted(link: Link, clock: Clock, keys: LaneKeys, ticket: bytes) -> LaneKeys:
    """Greet whoever dials, check its proof, and return the keys of the session."""
    await link.send(frame_bytes(encode(LaneNonce(nonce=NONCE))))
    hello = await read_hello(link, clock)
    session = keys.for_session(NONCE)
    assert hello.ticket == ticket
    assert hello.proof == session.proof(ticket)
    return session
