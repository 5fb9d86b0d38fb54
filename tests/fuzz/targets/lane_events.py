"""One frame of a lane, from its bytes to an event."""

from syncd.wire.fields import BadMessage
from syncd.wire.lane_events import decode, encode
from tests.fuzz.target import Target
from tests.wire.test_frames import EVERY_EVENT


def one(data: bytes) -> bool:
    """Try one input."""
    try:
        event = decode(data)
    except BadMessage:
        return False
    assert decode(encode(event)) == event
    return True


TARGET = Target(
    "lane-events", one, lambda: [encode(event) for event in EVERY_EVENT], is_packed=True
)
