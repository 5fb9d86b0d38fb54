"""The lane as a conversation: bytes in, events out; events in, bytes out.

Owns: framing (4-byte length, msgpack map, sealed), the order of frames, the size limits, and
which key the next parcel gets. Must not: read a clock, touch a disk, or keep a parcel's bytes.
Whoever holds the link feeds receive_bytes() and writes what send() returns; a parcel's sealed
bytes follow its head as they are, and are only counted here.

Every frame but LaneNonce and LaneHello, which come before the key is known (greeting.py), is
sealed for its lane, direction and place (frame_seal.py): who listens reads nothing but its length,
which is checked before a byte of it is buffered, and a flipped bit or a forged Confirmed ends the
lane. The length is that of the frame before it is sealed; TAG_BYTES more follow.
"""

from enum import Enum, auto

from syncd.errors import LinkLostError
from syncd.limits import LANE_HEADER_BYTES_MAX
from syncd.wire.cover import Coverer, Uncoverer, body_bytes, coverer, uncoverer
from syncd.wire.fields import BadMessage
from syncd.wire.frame_seal import FrameOpener, FrameSealer
from syncd.wire.keys import DIALLER, LISTENER, TAG_BYTES, LaneKeys, Seal, parcel_salt
from syncd.wire.lane_events import (
    Beat,
    Bye,
    Confirmed,
    Declined,
    Event,
    LaneHello,
    LaneWelcome,
    ParcelHead,
    Want,
    decode,
    encode,
)
from syncd.wire.seal import SealBrokenError

LENGTH_BYTES = 4
FRAME_BYTES_MAX = LENGTH_BYTES + LANE_HEADER_BYTES_MAX + TAG_BYTES


class Role(Enum):
    """Which way the parcels go; either may have dialled."""

    GIVER = auto()
    TAKER = auto()


class State(Enum):
    """What one end may say next."""

    GREETING = auto()  # owes the LaneHello
    WELCOMING = auto()  # owes the LaneWelcome, or a Bye
    SILENT = auto()  # waits for the other end's greeting
    TALKING = auto()
    IN_BODY = auto()  # owes the rest of a parcel, and no frame before it
    ENDED = auto()
    ERROR = auto()


_GREETING: dict[tuple[State, type[Event]], State] = {
    (State.GREETING, LaneHello): State.SILENT,
    (State.WELCOMING, LaneWelcome): State.TALKING,
    (State.WELCOMING, Bye): State.ENDED,
    (State.TALKING, Beat): State.TALKING,
    (State.TALKING, Bye): State.ENDED,
    (State.TALKING, Declined): State.TALKING,
}
TRANSITIONS: dict[Role, dict[tuple[State, type[Event]], State]] = {
    Role.GIVER: _GREETING | {(State.TALKING, ParcelHead): State.IN_BODY},
    Role.TAKER: _GREETING
    | {
        (State.TALKING, Want): State.TALKING,
        (State.TALKING, Confirmed): State.TALKING,
    },
}
# Greetings also tell the other end that it is its turn.
TURNS: dict[type[Event], State] = {LaneHello: State.WELCOMING, LaneWelcome: State.TALKING}


class LocalProtocolError(Exception):
    """We tried to say what cannot be said now: a mistake of ours."""


class PeerProtocolError(LinkLostError):
    """The other end said what cannot be said, or its bytes were damaged; the lane is over."""

    def __init__(self, problem: str) -> None:
        super().__init__(
            f"A lane carried what no lane may: {problem}.",
            remedy="It is opened again; if this stays, run the same version on both boxes.",
        )


class UnfitFrameError(PeerProtocolError):
    """A frame opened, so it is the peer's own, and it says what no frame may, or not now."""


class _Side:
    """One direction: what its speaker may say, and how much it has said."""

    def __init__(self, role: Role, state: State, direction: bytes, seal: Seal) -> None:
        self.role = role
        self._seal = seal
        self.state = state
        self.direction = direction
        self.body_left_bytes = 0
        self._parcels = 0
        self._head: tuple[ParcelHead, bytes] | None = None

    def step(self, event: Event, frame: bytes, other: "_Side") -> None:
        """Take event as said. Raises KeyError if it is out of turn."""
        self.state = TRANSITIONS[self.role][self.state, type(event)]
        other.state = TURNS.get(type(event), other.state)
        if isinstance(event, ParcelHead):
            self._head = (event, frame)
            self._parcels += 1
            self.body_left_bytes = body_bytes(self._seal, event.plain_bytes)

    def count_body(self, count: int) -> None:
        """Take count bytes of the body as said."""
        assert 0 <= count <= self.body_left_bytes, "a body ends where its head says"
        self.body_left_bytes -= count
        if self.state is State.IN_BODY and self.body_left_bytes == 0:
            self.state = State.TALKING

    def parcel_secrets(self, keys: LaneKeys) -> tuple[bytes, bytes, int]:
        """Return key material, salt and plain length of the parcel that was announced last."""
        assert self._head is not None, "a parcel is announced by its head"
        head, frame = self._head
        key = keys.parcel_key(self.direction, self._parcels, frame)
        return key, parcel_salt(self._parcels), head.plain_bytes


class Conversation:
    """One end of a lane. After an error that side stays in ERROR.

    dialled: whether this end opened the connection; it says hello() first. The other end has read
    that frame before it knew the key (greeting.py), and starts by answering it.
    keys: of this session; where dialled, those of the ticket, until hello() knows the nonce.
    """

    def __init__(self, role: Role, keys: LaneKeys, *, dialled: bool) -> None:
        self.role = role
        other = Role.TAKER if role is Role.GIVER else Role.GIVER
        ours, theirs = (
            (State.GREETING, State.SILENT) if dialled else (State.WELCOMING, State.SILENT)
        )
        directions = (DIALLER, LISTENER) if dialled else (LISTENER, DIALLER)
        self._ours = _Side(role, ours, directions[0], keys.seal)
        self._theirs = _Side(other, theirs, directions[1], keys.seal)
        self._take_keys(keys)
        self._buffer = bytearray()

    def _take_keys(self, keys: LaneKeys) -> None:
        self._keys = keys
        self._sealer = FrameSealer(keys.frame_key(self._ours.direction))
        self._opener = FrameOpener(keys.frame_key(self._theirs.direction))

    # Saying

    def send(self, event: Event) -> bytes:
        """Return the bytes that say event. Raises LocalProtocolError if it is out of turn."""
        frame = encode(event)
        was = self._ours.state
        try:
            self._ours.step(event, frame, self._theirs)
        except KeyError:
            self._ours.state = State.ERROR
            said = type(event).__name__
            raise LocalProtocolError(f"{self.role.name} cannot say {said} in {was.name}") from None
        if isinstance(event, LaneHello):
            return frame_bytes(frame)
        prefix = length_prefix(frame)
        return prefix + self._sealer.seal(prefix, frame)

    def hello(self, ticket: bytes, nonce: bytes) -> LaneHello:
        """Return the greeting for a connection that began with nonce; from here on it has keys."""
        assert self._ours.state is State.GREETING, "no frame was sealed under other keys"
        self._take_keys(self._keys.for_session(nonce))
        return LaneHello(ticket=ticket, proof=self._keys.proof(ticket))

    def coverer(self) -> Coverer:
        """Return what covers the body of the parcel that was just announced."""
        return coverer(self._keys.seal, *self._ours.parcel_secrets(self._keys))

    def body_sent(self, count: int) -> None:
        """Count bytes of the body that go out, seals and all."""
        self._ours.count_body(count)

    # Hearing

    @property
    def wanted_bytes(self) -> int:
        """How many bytes to receive next without reaching past the frame; 0 within a body."""
        if self._theirs.state is State.IN_BODY:
            return 0
        if len(self._buffer) < LENGTH_BYTES:
            return LENGTH_BYTES - len(self._buffer)
        return max(0, self._frame_end() - len(self._buffer))

    @property
    def body_left_bytes(self) -> int:
        """How much of their parcel has not come yet."""
        return self._theirs.body_left_bytes

    def receive_bytes(self, data: bytes | bytearray | memoryview) -> None:
        """Remember data; then call next_event() until it returns None."""
        self._buffer += data

    def next_event(self) -> Event | None:
        """Return the next event, or None when it needs more bytes. Raises PeerProtocolError."""
        if self._theirs.state is State.ERROR:
            raise PeerProtocolError("it has gone wrong before")
        if self._theirs.state is State.IN_BODY:
            return None
        try:
            return self._take_frame()
        except SealBrokenError as error:
            self._theirs.state = State.ERROR
            raise PeerProtocolError(str(error)) from None
        except BadMessage as error:
            self._theirs.state = State.ERROR
            raise UnfitFrameError(str(error)) from None
        except PeerProtocolError:
            self._theirs.state = State.ERROR
            raise

    def take_body(self, view: memoryview) -> int:
        """Move bytes of the body that came along with frames into view; usually there are none."""
        count = min(len(view), len(self._buffer), self._theirs.body_left_bytes)
        if count:
            view[:count] = self._buffer[:count]
            del self._buffer[:count]
            self._theirs.count_body(count)
        return count

    def body_received(self, count: int) -> None:
        """Count bytes of the body that were received past this object."""
        assert not self._buffer, "what was buffered comes first"
        self._theirs.count_body(count)

    def uncoverer(self) -> Uncoverer:
        """Return what checks the body of the parcel whose head was the last event."""
        return uncoverer(self._keys.seal, *self._theirs.parcel_secrets(self._keys))

    def _frame_end(self) -> int:
        """Return where the first frame in the buffer ends, once its length is there."""
        length = int.from_bytes(self._buffer[:LENGTH_BYTES], "big")
        return LENGTH_BYTES + min(length, LANE_HEADER_BYTES_MAX) + TAG_BYTES

    def _take_frame(self) -> Event | None:
        if len(self._buffer) < LENGTH_BYTES:
            return None
        prefix = bytes(self._buffer[:LENGTH_BYTES])
        check_length(prefix)
        end = self._frame_end()
        if len(self._buffer) < end:
            return None
        sealed = bytes(self._buffer[LENGTH_BYTES:end])
        del self._buffer[:end]
        frame = self._opener.open(prefix, sealed)
        event, was = decode(frame), self._theirs.state
        try:
            self._theirs.step(event, frame, self._ours)
        except KeyError:
            said = type(event).__name__
            raise UnfitFrameError(
                f"{said} from the {self._theirs.role.name} in {was.name}"
            ) from None
        return event


def frame_bytes(frame: bytes) -> bytes:
    """Put the length before a frame that comes before the key is known."""
    return length_prefix(frame) + frame


def length_prefix(frame: bytes) -> bytes:
    """Return what goes before a frame, sealed or not: how long it is when it is not."""
    return len(frame).to_bytes(LENGTH_BYTES, "big")


def check_length(prefix: bytes | bytearray, bytes_max: int = LANE_HEADER_BYTES_MAX) -> int:
    """Return the length that prefix announces. Raises PeerProtocolError if it is out of bounds."""
    length = int.from_bytes(prefix, "big")
    if not 0 < length <= bytes_max:
        raise PeerProtocolError(f"a frame of {length} bytes")
    return length
