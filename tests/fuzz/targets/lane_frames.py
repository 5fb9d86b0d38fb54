"""A lane's frames within their seals: what a peer that has the key may say, in any order.

The first byte says which end we are, and whether the bytes are frames to be sealed rightly or come
as they are. A frame to be sealed has its length in two bytes before it.
"""

from syncd.limits import LANE_HEADER_BYTES_MAX
from syncd.wire.frame_seal import FrameSealer
from syncd.wire.frames import FRAME_BYTES_MAX, Conversation, PeerProtocolError, Role, length_prefix
from syncd.wire.keys import DIALLER, LISTENER, LaneKeys, Seal
from syncd.wire.lane_events import Beat, LaneWelcome, ParcelHead, encode
from tests.fuzz.target import Target
from tests.wire.test_frames import EVERY_EVENT, HELLO

KEY = b"k" * 16
DIALLED, GIVER, AS_IS, CLEAR = 1, 2, 4, 8


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
            return _feed(lane, data[1:])
        sealer = FrameSealer(keys.frame_key(LISTENER if is_dialled else DIALLER))
        for body in _bodies(data[1:]):
            _feed(lane, _sealed(sealer, body))
    except PeerProtocolError:
        try:
            lane.next_event()
        except PeerProtocolError:
            return False
        raise AssertionError("a lane that went wrong goes on") from None
    return True


def _feed(lane: Conversation, data: bytes) -> bool:
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
            if isinstance(event, ParcelHead):
                assert lane.body_left_bytes > event.data_bytes
                lane.uncoverer()
        data = data[count:]
    return True


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


def _said(first: int, *bodies: bytes) -> bytes:
    return bytes([first]) + b"".join(len(body).to_bytes(2, "big") + body for body in bodies)


def seeds() -> list[bytes]:
    """Return valid examples."""
    welcome = encode(LaneWelcome())
    kinds = {type(event).__name__: encode(event) for event in EVERY_EVENT}
    giver = [kinds[name] for name in ("Declined", "Beat", "Bye")]
    taker = [kinds[name] for name in ("Want", "Confirmed", "Declined", "Beat", "Bye")]
    sealer = FrameSealer(LaneKeys(KEY).frame_key(DIALLER))
    return [
        _said(DIALLED, welcome, *giver),
        _said(DIALLED, welcome, kinds["ParcelHead"]),
        _said(DIALLED | GIVER, welcome, *taker),
        _said(GIVER, *taker),
        _said(DIALLED | CLEAR, welcome, kinds["ParcelHead"]),
        bytes([AS_IS]) + _sealed(sealer, encode(Beat())),
    ]


TARGET = Target(
    "lane-frames",
    one,
    seeds,
    prefix_bytes=1,
    tokens=tuple(len(body).to_bytes(2, "big") + body for body in map(encode, EVERY_EVENT)),
)
