"""A lane's frames within their seals: what a peer that has the key may say, in any order.

The first byte says which end we are, and whether the bytes are frames to be sealed, rightly or as
nobody with the key seals them, or come as they are. A frame to be sealed has its length in two
bytes before it.
"""

from syncd.limits import LANE_HEADER_BYTES_MAX
from syncd.wire.frame_seal import FrameSealer
from syncd.wire.frames import FRAME_BYTES_MAX, Conversation, PeerProtocolError, Role, length_prefix
from syncd.wire.keys import DIALLER, LISTENER, LaneKeys, Seal
from syncd.wire.lane_events import Beat, LaneWelcome, ParcelHead, encode
from tests.fuzz.target import Target
from tests.wire.test_frames import EVERY_EVENT, HELLO

KEY = b"k" * 16
DIALLED, GIVER, AS_IS, CLEAR, FOREIGN, LATE = 1, 2, 4, 8, 16, 32


def one(data: bytes) -> bool:
    """Try one input."""
    if not data:
        return False
    is_dialled = bool(data[0] & DIALLED)
    keys = LaneKeys(KEY, Seal.CLEAR if data[0] & CLEAR else Seal.SEALED)
    lane = Conversation(Role.GIVER if data[0] & GIVER else Role.TAKER, keys, dialled=is_dialled)
    lane.send(HELLO if is_dialled else LaneWelcome())
    try:
        if data[0] & AS_IS:
            count = _feed(lane, data[1:])
            assert count <= data[1:].startswith(GENUINE), "it was sealed with nobody's key"
            return count > 0
        # Our own direction's key is the nearest of the wrong ones: a frame that is sent back.
        ours, theirs = (DIALLER, LISTENER) if is_dialled else (LISTENER, DIALLER)
        sealer = FrameSealer(keys.frame_key(ours if data[0] & FOREIGN else theirs))
        if data[0] & LATE:
            sealer.seal(b"", b"a frame that was left out")
        for body in _bodies(data[1:]):
            _feed(lane, _sealed(sealer, body))
            assert not data[0] & (FOREIGN | LATE), "a frame was opened that fits nowhere"
    except PeerProtocolError:
        try:
            lane.next_event()
        except PeerProtocolError:
            return False
        raise AssertionError("a lane that went wrong goes on") from None
    return True


def _feed(lane: Conversation, data: bytes) -> int:
    """Return how many events came of it."""
    events = 0
    while data:
        wanted = lane.wanted_bytes
        assert wanted <= FRAME_BYTES_MAX
        if wanted == 0:
            count = min(len(data), lane.body_left_bytes)
            lane.body_received(count)
        else:
            count = min(len(data), wanted)
            lane.receive_bytes(data[:count])
            event = lane.next_event()
            events += event is not None
            if isinstance(event, ParcelHead):
                assert lane.body_left_bytes > event.data_bytes
                lane.uncoverer()
        data = data[count:]
    return events


def _bodies(data: bytes) -> list[bytes]:
    bodies = []
    while len(data) > 2:
        end = 2 + int.from_bytes(data[:2], "big") % LANE_HEADER_BYTES_MAX
        if data[2:end]:
            bodies.append(data[2:end])
        data = data[end:]
    return bodies


def _sealed(sealer: FrameSealer, body: bytes) -> bytes:
    prefix = length_prefix(body)
    return prefix + sealer.seal(prefix, body)


GENUINE = _sealed(FrameSealer(LaneKeys(KEY).frame_key(DIALLER)), encode(Beat()))


def _said(first: int, *bodies: bytes) -> bytes:
    return bytes([first]) + b"".join(len(body).to_bytes(2, "big") + body for body in bodies)


def seeds() -> list[bytes]:
    """Return valid examples."""
    welcome = encode(LaneWelcome())
    kinds = {type(event).__name__: encode(event) for event in EVERY_EVENT}
    giver = [kinds[name] for name in ("Declined", "Beat", "Bye")]
    taker = [kinds[name] for name in ("Want", "Confirmed", "Declined", "Beat", "Bye")]
    return [
        _said(DIALLED, welcome, *giver),
        _said(DIALLED, welcome, kinds["ParcelHead"]),
        _said(DIALLED | GIVER, welcome, *taker),
        _said(GIVER, *taker),
        _said(DIALLED | CLEAR, welcome, kinds["ParcelHead"]),
        _said(GIVER | FOREIGN, *taker),
        _said(DIALLED | LATE, welcome, *giver),
        bytes([AS_IS]) + GENUINE,
    ]


TARGET = Target(
    "lane-frames",
    one,
    seeds,
    prefix_bytes=1,
    tokens=tuple(len(body).to_bytes(2, "big") + body for body in map(encode, EVERY_EVENT)),
)
