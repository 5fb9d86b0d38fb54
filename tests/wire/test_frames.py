"""The lane's conversation without a link: two ends joined in memory, strangers, damage."""

import random
from collections.abc import Callable
from typing import Any

import msgpack
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncd.errors import LinkLostError, PeerRefusedError
from syncd.limits import GREETING_S, LANE_HEADER_BYTES_MAX, PARCEL_BYTES_MAX, PARCEL_PIECES_MAX
from syncd.wire.cover import body_bytes
from syncd.wire.fields import BadMessage
from syncd.wire.frame_seal import FrameSealer
from syncd.wire.frames import (
    Conversation,
    LocalProtocolError,
    PeerProtocolError,
    Role,
    frame_bytes,
    length_prefix,
)
from syncd.wire.greeting import read_hello
from syncd.wire.keys import LISTENER, LaneKeys, Seal
from syncd.wire.lane_events import (
    Beat,
    Bye,
    Confirmed,
    Declined,
    Event,
    LaneHello,
    LaneNonce,
    LaneWelcome,
    ParcelHead,
    Want,
    decode,
    encode,
)
from tests.faults.virtual_time import run_simulated
from tests.wire.memory_link import LoopClock, MemoryLink, link_pair

ROLL = "5a17" * 8
HELLO = LaneHello(ticket=b"t" * 16, proof=b"p" * 32)
HEAD = ParcelHead(roll_id=ROLL, number=7, data_bytes=100, piece_count=2)
DECLINED = Declined(
    roll_id=ROLL, number=7, code="storage-full", message="No room.", path="Clips/A012C001.mov"
)
BODY_BYTES = body_bytes(Seal.SEALED, HEAD.plain_bytes)
EVERY_EVENT = [
    LaneNonce(nonce=b"n" * 16),
    HELLO,
    LaneWelcome(),
    HEAD,
    Confirmed(roll_id=ROLL, number=7),
    DECLINED,
    Want(roll_id=ROLL, number=7),
    Beat(),
    Bye(reason="This box is being shut down."),
]


class Pair:
    """A giver that dialled and a taker that was dialled, greeted."""

    def __init__(self, key: bytes = b"k" * 16) -> None:
        self.giver = Conversation(Role.GIVER, LaneKeys(key), dialled=True)
        self.taker = Conversation(Role.TAKER, LaneKeys(key), dialled=False)
        self.giver.send(HELLO)  # read_hello() takes this one
        assert hear(self.giver, self.taker.send(LaneWelcome())) == [LaneWelcome()]


def hear(listener: Conversation, data: bytes) -> list[Event]:
    """Feed data one byte at a time and return the events."""
    events = []
    for at in range(len(data)):
        listener.receive_bytes(data[at : at + 1])
        if (event := listener.next_event()) is not None:
            events.append(event)
    return events


@pytest.mark.parametrize("event", EVERY_EVENT, ids=lambda event: type(event).__name__)
def test_every_frame_survives_the_way_to_bytes_and_back(event: Event) -> None:
    """What was said is what is heard."""
    assert decode(encode(event)) == event


def test_both_ends_hear_what_the_other_says_byte_by_byte() -> None:
    """A parcel, its confirmation, and beats between them."""
    pair = Pair()
    said = pair.giver.send(Beat()) + pair.giver.send(HEAD)
    assert hear(pair.taker, said) == [Beat(), HEAD]
    answer = pair.taker.send(Confirmed(roll_id=ROLL, number=7)) + pair.taker.send(DECLINED)
    assert hear(pair.giver, answer) == [Confirmed(roll_id=ROLL, number=7), DECLINED]


def test_the_body_is_counted_and_frames_go_on_after_it() -> None:
    """The head says to the byte how long the body is; what comes after it is a frame again."""
    pair = Pair()
    said = pair.giver.send(HEAD)
    pair.giver.body_sent(BODY_BYTES)
    said += b"b" * BODY_BYTES + pair.giver.send(Beat())
    pair.taker.receive_bytes(said)
    assert pair.taker.next_event() == HEAD
    assert pair.taker.next_event() is None, "the body comes first"
    body = bytearray(1000)
    assert pair.taker.take_body(memoryview(body)[:60]) == 60
    assert pair.taker.take_body(memoryview(body)[60:]) == BODY_BYTES - 60
    assert bytes(body).rstrip(b"\0") == b"b" * BODY_BYTES
    assert pair.taker.next_event() == Beat()


def test_a_listener_that_receives_what_is_wanted_never_holds_a_byte_of_the_body() -> None:
    """So a body goes from the link straight into the buffer that it is opened from."""
    pair = Pair()
    said = pair.giver.send(HEAD) + b"body"
    while said and (wanted := pair.taker.wanted_bytes):
        pair.taker.receive_bytes(said[:wanted])
        said = said[wanted:]
        if pair.taker.next_event() == HEAD:
            break
    assert said == b"body"
    assert pair.taker.wanted_bytes == 0
    pair.taker.body_received(4)
    assert pair.taker.body_left_bytes == BODY_BYTES - 4


def test_both_ends_derive_the_same_secrets_for_a_parcel_and_others_for_the_next() -> None:
    """What the giver seals the taker opens; the same parcel once more has another key."""
    pair = Pair()
    sealed = []
    for _ in range(2):
        head = ParcelHead(roll_id=ROLL, number=7, data_bytes=0, piece_count=1)
        hear(pair.taker, pair.giver.send(head))
        plain, into = memoryview(bytearray(b"d" * 16 + b"?")), memoryview(bytearray(64))
        sealer, opener = pair.giver.coverer(), pair.taker.uncoverer()
        (record,) = sealer.cover(plain, into)
        opened = memoryview(bytearray(17))
        opener.check_header(sealer.header)
        assert opener.uncover(opened, into) == 16
        assert bytes(opened[:16]) == b"d" * 16
        sealed.append(bytes(record))
        pair.giver.body_sent(body_bytes(Seal.SEALED, head.plain_bytes))
        pair.taker.body_received(body_bytes(Seal.SEALED, head.plain_bytes))
    assert sealed[0] != sealed[1]


# Out of turn


def fresh_giver() -> Conversation:
    """Return a dialler that has said nothing."""
    return Conversation(Role.GIVER, LaneKeys(b"k" * 16), dialled=True)


@pytest.mark.parametrize("event", [HEAD, Beat(), LaneWelcome()])
def test_a_dialler_says_hello_first(event: Event) -> None:
    """Saying anything else is our own mistake, named with role and state."""
    with pytest.raises(LocalProtocolError, match=r"GIVER cannot say \w+ in GREETING"):
        fresh_giver().send(event)


def test_a_dialler_says_nothing_before_it_is_welcome() -> None:
    """Nor does it get another try after such a mistake."""
    giver = fresh_giver()
    giver.send(HELLO)
    with pytest.raises(LocalProtocolError, match="in SILENT"):
        giver.send(HEAD)
    with pytest.raises(LocalProtocolError, match="in ERROR"):
        giver.send(Beat())


@pytest.mark.parametrize("event", [Want(roll_id=ROLL, number=1), Confirmed(roll_id=ROLL, number=1)])
def test_a_giver_neither_wants_nor_confirms(event: Event) -> None:
    """These are the taker's to say."""
    with pytest.raises(LocalProtocolError):
        Pair().giver.send(event)


def test_no_frame_is_said_within_a_body_nor_after_goodbye() -> None:
    """A body that was begun is sent to its end; after Bye nothing is."""
    pair = Pair()
    pair.giver.send(HEAD)
    with pytest.raises(LocalProtocolError, match="IN_BODY"):
        pair.giver.send(Beat())
    pair.taker.send(Bye(reason="enough"))
    with pytest.raises(LocalProtocolError, match="ENDED"):
        pair.taker.send(Beat())


def forge(*events: Event) -> bytes:
    """Say events to the giver, sealed as it expects them, whether or not the taker may say them."""
    sealer = FrameSealer(LaneKeys(b"k" * 16).frame_key(LISTENER))
    said = [sealed(sealer, event) for event in (LaneWelcome(), *events)]
    return b"".join(said[1:])  # the giver has heard the welcome


def sealed(sealer: FrameSealer, event: Event) -> bytes:
    """Return a frame as it travels."""
    frame = encode(event)
    prefix = length_prefix(frame)
    return prefix + sealer.seal(prefix, frame)


@pytest.mark.parametrize("event", [HEAD, HELLO, LaneWelcome()])
def test_a_peer_that_speaks_out_of_turn_has_failed(event: Event) -> None:
    """A taker gives no parcels, and greets once; its side stays in error."""
    pair = Pair()
    with pytest.raises(PeerProtocolError, match=type(event).__name__):
        hear(pair.giver, forge(event))
    with pytest.raises(PeerProtocolError):
        pair.giver.next_event()


def test_a_peer_that_speaks_after_its_goodbye_has_failed() -> None:
    """Bye is the last word."""
    pair = Pair()
    with pytest.raises(PeerProtocolError, match="ENDED"):
        hear(pair.giver, forge(Bye(reason="enough"), Beat()))


# Damage and strangers


def test_any_flipped_bit_of_a_frame_is_noticed() -> None:
    """A damaged Confirmed never confirms something else."""
    frame = Pair().taker.send(Confirmed(roll_id=ROLL, number=7))
    for bit in range(len(frame) * 8):
        damaged = bytearray(frame)
        damaged[bit // 8] ^= 1 << bit % 8
        pair = Pair()
        try:
            assert hear(pair.giver, bytes(damaged)) == [], f"bit {bit}"
        except PeerProtocolError:
            continue
        assert bit < 32, "only a length that became larger waits for more"


def test_a_frame_of_another_lane_or_turn_is_noticed() -> None:
    """A recorded Confirmed fits neither another lane nor the same one again."""
    elsewhere = Pair(key=b"e" * 16).taker.send(Confirmed(roll_id=ROLL, number=7))
    with pytest.raises(PeerProtocolError, match="somebody else"):
        hear(Pair().giver, elsewhere)
    pair = Pair()
    recorded = pair.taker.send(Confirmed(roll_id=ROLL, number=7))
    hear(pair.giver, recorded)
    with pytest.raises(PeerProtocolError, match="somebody else"):
        hear(pair.giver, recorded)


def test_a_frame_mirrored_to_its_speaker_is_noticed() -> None:
    """What a giver said does not pass as what its taker says."""
    pair = Pair()
    with pytest.raises(PeerProtocolError, match="somebody else"):
        hear(pair.giver, pair.giver.send(Beat()))


@pytest.mark.parametrize("length", [0, LANE_HEADER_BYTES_MAX + 1, 0xFFFFFFFF])
def test_an_impossible_length_is_refused_before_a_byte_is_buffered(length: int) -> None:
    """The length prefix is a promise by a stranger."""
    with pytest.raises(PeerProtocolError, match=f"a frame of {length} bytes"):
        hear(Pair().giver, length.to_bytes(4, "big"))


@given(data=st.binary(max_size=300), seed=st.integers(0, 1000))
def test_random_bytes_are_noise_and_nothing_else(data: bytes, seed: int) -> None:
    """Whatever comes, in whatever portions, either more is wanted or the peer has failed."""
    portions = random.Random(seed)
    giver = Pair().giver
    try:
        while data:
            count = portions.randint(1, 40)
            giver.receive_bytes(data[:count])
            data = data[count:]
            assert giver.next_event() is None
    except PeerProtocolError:
        return
    assert 0 < giver.wanted_bytes <= LANE_HEADER_BYTES_MAX + 16


PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers(-(1 << 63), (1 << 63) - 1) | st.text() | st.binary(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=5,
)


@given(plain=PLAIN | st.fixed_dictionaries({"is": st.sampled_from(["Want", "Beat"])}) | st.binary())
def test_a_body_is_an_event_or_a_bad_message(plain: Any) -> None:
    """Well-formed msgpack of the wrong shape, and bytes that are none."""
    body = plain if isinstance(plain, bytes) else msgpack.packb(plain)
    try:
        assert isinstance(decode(body), Event)
    except BadMessage:
        return


def head_plain(**changes: Any) -> dict[str, Any]:
    """Return the map of a good ParcelHead, with changes."""
    return {"is": "ParcelHead", **HEAD.to_plain(), **changes}


@pytest.mark.parametrize(
    "body",
    [
        msgpack.packb(head_plain(data_bytes=PARCEL_BYTES_MAX + 1)),
        msgpack.packb(head_plain(data_bytes=-1)),
        msgpack.packb(head_plain(data_bytes=1.0)),
        msgpack.packb(head_plain(piece_count=0)),
        msgpack.packb(head_plain(piece_count=PARCEL_PIECES_MAX + 1)),
        msgpack.packb(head_plain(roll_id="../../etc")),
        msgpack.packb(head_plain(evidence=bytes(17))),
        msgpack.packb(head_plain(more=1)),
        msgpack.packb({"is": "ParcelHead"}),
        msgpack.packb({"is": "Nonsense"}),
        msgpack.packb({"is": {}}),
        msgpack.packb({"number": 1}),
        msgpack.packb([1, 2]),
        msgpack.packb({"is": "Beat"}) + b"\xc0",
        b"\x82\xa2is\xa4Beat\xa2is\xa4Beat",
        b"\x91" * 2000,
    ],
)
def test_a_frame_out_of_its_bounds_is_a_bad_message(body: bytes) -> None:
    """Too much, too little, twice, nested, or not a name: each is refused."""
    with pytest.raises(BadMessage):
        decode(body)


# The first frame


def first_frame(feed: Callable[[MemoryLink], Any]) -> tuple[LaneHello, bytes]:
    """Let read_hello() read what feed sends; return the frame and what stayed on the link."""

    async def run() -> tuple[LaneHello, bytes]:
        near, far = link_pair()
        await feed(near)
        hello = await read_hello(far, LoopClock())
        return hello, bytes(far.inbox)

    return run_simulated(run(), limit_s=60)


def test_the_hello_is_read_and_not_a_byte_more() -> None:
    """What follows belongs to the lane."""
    hello, rest = first_frame(lambda link: link.send(fresh_giver().send(HELLO), b"rest"))
    assert hello == HELLO
    assert rest == b"rest"


def test_another_version_is_refused_in_words() -> None:
    """Two boxes with different versions say so, instead of misunderstanding each other."""
    other = fresh_giver().send(LaneHello(ticket=b"t" * 16, proof=b"p" * 32, version=2))
    with pytest.raises(PeerRefusedError, match="same version"):
        first_frame(lambda link: link.send(other))


@pytest.mark.parametrize(
    "said", [frame_bytes(encode(Beat())), frame_bytes(b"x"), b"GET / HTTP/1.1"]
)
def test_a_stranger_that_says_something_else_has_failed(said: bytes) -> None:
    """Another frame, noise, or another protocol."""
    with pytest.raises(PeerProtocolError):
        first_frame(lambda link: link.send(said))


def test_a_stranger_that_stays_silent_is_shown_the_door() -> None:
    """Half a frame gets no longer than none."""
    with pytest.raises(LinkLostError, match=f"within {GREETING_S:.0f} s"):
        first_frame(lambda link: link.send(b"\0\0"))
