"""What may be said on a lane: one frozen dataclass per frame, checked when built, and its bytes.

Owns: the shape and bounds of every frame. Must not: know in which order they come (frames.py).
"""

from dataclasses import dataclass
from typing import Annotated

from syncd.limits import LANE_HEADER_BYTES_MAX, PARCEL_BYTES_MAX, PARCEL_PIECES_MAX
from syncd.wire.fields import BadMessage, Blob, Text, Whole, pack_plain, unpack_plain
from syncd.wire.keys import PROOF_BYTES
from syncd.wire.messages import Code, Evidence, Message, Note, Path, RollId

LANE_VERSION = 3
PIECE_DIGEST_BYTES = 16
KIND_KEY = "is"
# No frame holds a list; one more map than the frame itself would be one too many as well.
ARRAY_MAX = 0

Number = Annotated[int, Whole(high=(1 << 31) - 1)]
Ticket = Annotated[bytes, Blob(16, 16)]
NONCE_BYTES = 16


class Event(Message):
    """Anything that is said on a lane."""

    __slots__ = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneNonce(Event):
    """The listener's first frame, the same to everybody but for its bytes, used once."""

    nonce: Annotated[bytes, Blob(NONCE_BYTES, NONCE_BYTES)]


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneHello(Event):
    """The dialler's first frame: which ticket it has, which way of speaking it knows.

    proof: made of the ticket's key and the nonce of this very connection, so that whoever read the
    frame can neither use it nor use it up.
    """

    ticket: Ticket
    proof: Annotated[bytes, Blob(PROOF_BYTES, PROOF_BYTES)]
    version: Annotated[int, Whole(high=1 << 16)] = LANE_VERSION


@dataclass(frozen=True, slots=True, kw_only=True)
class LaneWelcome(Event):
    """The ticket was good; that it opens proves that this end has the lane's key, too."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ParcelHead(Event):
    """A parcel follows, as long as cover.body_bytes() says, then frames again.

    In it lie data_bytes of the pieces in their order, then 16 bytes XXH128 of each. If
    these are all zero the giver could not read the parcel to its end, and it counts for nothing.
    evidence: of the inventory that the parcel was cut from, or Offer.state; b"" from a box that
    does not say.
    """

    roll_id: RollId
    number: Number
    data_bytes: Annotated[int, Whole(high=PARCEL_BYTES_MAX)]
    piece_count: Annotated[int, Whole(low=1, high=PARCEL_PIECES_MAX)]
    evidence: Evidence = b""

    @property
    def plain_bytes(self) -> int:
        """How many bytes lie in it, digests included."""
        return self.data_bytes + self.trailer_bytes

    @property
    def trailer_bytes(self) -> int:
        """How many of them are digests."""
        return PIECE_DIGEST_BYTES * self.piece_count


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmed(Event):
    """A parcel is durable on the taker's storage (promise 3)."""

    roll_id: RollId
    number: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class Declined(Event):
    """A parcel cannot be taken, or not be given, for a reason that a person may have to see."""

    roll_id: RollId
    number: Number
    code: Code
    message: Note
    path: Path = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Want(Event):
    """The taker asks for a parcel."""

    roll_id: RollId
    number: Number


@dataclass(frozen=True, slots=True, kw_only=True)
class Beat(Event):
    """Still here."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bye(Event):
    """The lane ends here, and why."""

    reason: Annotated[str, Text(1024)]


KINDS: dict[str, type[Event]] = {
    kind.__name__: kind
    for kind in (
        LaneNonce,
        LaneHello,
        LaneWelcome,
        ParcelHead,
        Confirmed,
        Declined,
        Want,
        Beat,
        Bye,
    )
}


def encode(event: Event) -> bytes:
    """Return the map that says event."""
    body = pack_plain({KIND_KEY: type(event).__name__, **event.to_plain()})
    assert len(body) <= LANE_HEADER_BYTES_MAX, "the bounds of the fields leave no larger frame"
    return body


def decode(body: bytes) -> Event:
    """Read what encode wrote, from a stranger too. Raises BadMessage, whatever the bytes are."""
    plain = unpack_plain(body, array_max=ARRAY_MAX)
    if not isinstance(plain, dict):
        raise BadMessage(f"a frame must be a map, not {type(plain).__name__}")
    name = plain.pop(KIND_KEY, None)
    kind = KINDS.get(name) if isinstance(name, str) else None
    if kind is None:
        raise BadMessage(f"no frame is called {str(name)[:80]!r}")
    return kind.from_plain(plain)
