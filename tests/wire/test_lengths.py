"""Every length that foreign bytes of a lane or a question announce, and the limit that it meets.

Each row is one byte too many, or one entry, one level, and is refused by what announces it: the
bytes themselves are never sent here, so nothing can have been buffered for them.
"""

from collections.abc import Callable

import msgpack
import pytest

from syncd.limits import (
    CONTROL_BODY_BYTES_MAX,
    HELLO_BYTES_MAX,
    LANE_HEADER_BYTES_MAX,
    PARCEL_BYTES_MAX,
    PARCEL_PIECES_MAX,
    RECORD_DATA_BYTES,
)
from syncd.wire.fields import CONTAINERS_MAX, BadMessage, unpack_plain
from syncd.wire.frames import Conversation, PeerProtocolError, Role, check_length
from syncd.wire.keys import TAG_BYTES, LaneKeys
from syncd.wire.lane_events import LaneHello, LaneNonce, decode, encode
from syncd.wire.messages import ARRAY_MAX, Listing, unpack
from syncd.wire.seal import RECORD_OVERHEAD_BYTES, SealBrokenError, read_header

HEAD = {"is": "ParcelHead", "roll_id": "5a17" * 8, "number": 1, "piece_count": 1, "data_bytes": 1}


def head(**changes: int) -> Callable[[], object]:
    """Read a head with some fields changed."""
    return lambda: decode(msgpack.packb(HEAD | changes))


def length(count: int, limit: int) -> Callable[[], object]:
    """Take note of a frame of count bytes."""
    return lambda: check_length(count.to_bytes(4, "big"), limit)


def sealed(count: int) -> Callable[[], object]:
    """Hear on a lane that a sealed frame of count bytes follows."""

    def hear() -> object:
        lane = Conversation(Role.TAKER, LaneKeys(bytes(16)), dialled=False)
        lane.receive_bytes(count.to_bytes(4, "big"))
        return lane.next_event() or lane.wanted_bytes

    return hear


def record(size: int) -> Callable[[], object]:
    """Read the header of records of size bytes."""
    return lambda: read_header(bytes(16) + size.to_bytes(4, "big") + b"\0")


def body(data: bytes, array_max: int = ARRAY_MAX) -> Callable[[], object]:
    """Read data as a body."""
    return lambda: unpack_plain(data, array_max=array_max)


GIB4 = b"\xff\xff\xff\xff"
TABLE: dict[str, Callable[[], object]] = {
    "frame": length(LANE_HEADER_BYTES_MAX + 1, LANE_HEADER_BYTES_MAX),
    "frame of no bytes": length(0, LANE_HEADER_BYTES_MAX),
    "sealed frame": sealed(LANE_HEADER_BYTES_MAX + 1),
    "sealed frame of no bytes": sealed(0),
    "sealed frame of 4 GiB": sealed(0xFFFFFFFF),
    "first frame": length(HELLO_BYTES_MAX + 1, HELLO_BYTES_MAX),
    "record": record(RECORD_DATA_BYTES + RECORD_OVERHEAD_BYTES + 1),
    "parcel": head(data_bytes=PARCEL_BYTES_MAX + 1),
    "pieces of a parcel": head(piece_count=PARCEL_PIECES_MAX + 1),
    "number of a parcel": head(number=1 << 31),
    "str32": body(b"\xdb" + GIB4),
    "bin32": body(b"\xc6" + GIB4),
    "array32": body(b"\xdd" + GIB4),
    "map32": body(b"\xdf" + GIB4),
    "ext32": body(b"\xc9" + GIB4 + b"\1"),
    "fixext1": body(b"\xd4\1\0"),
    "timestamp": body(b"\xd6\xff\0\0\0\0"),
    "list": body(msgpack.packb([None] * (ARRAY_MAX + 1))),
    "list in a frame": body(msgpack.packb([1]), 0),
    "map": body(msgpack.packb({str(n): n for n in range(65)})),
    "depth": body(b"\x91" * 5000 + b"\xc0"),
    "depth of maps": body(b"\x81\xa1a" * 5000 + b"\xc0"),
    "containers": body(
        msgpack.packb([[[]] * 9_000, [[]] * 9_000, [[]] * 9_000, [[]] * 9_000, [[]] * 9_000])
    ),
    "question": lambda: unpack(Listing, b"\x80" + bytes(CONTROL_BODY_BYTES_MAX)),
}


@pytest.mark.parametrize("what", TABLE)
def test_one_too_many_is_refused_by_what_announces_it(what: str) -> None:
    """By an error that its reader foresees, and no other."""
    with pytest.raises((PeerProtocolError, BadMessage, SealBrokenError)):
        TABLE[what]()


def test_what_is_just_within_the_limits_is_read() -> None:
    """The table refuses for the length, and for nothing else."""
    assert check_length(LANE_HEADER_BYTES_MAX.to_bytes(4, "big")) == LANE_HEADER_BYTES_MAX
    assert sealed(LANE_HEADER_BYTES_MAX)() == LANE_HEADER_BYTES_MAX + TAG_BYTES
    assert head(data_bytes=PARCEL_BYTES_MAX, piece_count=PARCEL_PIECES_MAX)()
    assert record(RECORD_DATA_BYTES + RECORD_OVERHEAD_BYTES)()
    assert len(unpack_plain(msgpack.packb([None] * ARRAY_MAX), array_max=ARRAY_MAX)) == ARRAY_MAX
    assert CONTAINERS_MAX < 5 * 9_000


def test_the_first_frames_fit_their_limit() -> None:
    """Both are said before anybody is believed."""
    for event in (
        LaneNonce(nonce=bytes(16)),
        LaneHello(ticket=bytes(16), proof=bytes(32), version=1 << 16),
    ):
        assert len(encode(event)) <= HELLO_BYTES_MAX
