"""What peers say to each other on the control plane: questions, their answers, and refusals.

Owns: the shape of every message, its limits, and its way to msgpack and back. Each is checked when
built, so a malformed one cannot exist on either side, and what a stranger sent is either a message
or a BadMessage that names the field. Must not: do I/O, or decide anything.

A question NAME travels as the body of POST /peer/NAME (QUESTIONS has the names), its answer
(ANSWERS) as the body of the reply; in place of any answer a Refusal may come.
"""

from dataclasses import MISSING, dataclass, fields
from enum import StrEnum
from typing import Annotated, Any, Self, TypeVar, get_type_hints

from syncd.limits import (
    CONTROL_BODY_BYTES_MAX,
    INVENTORY_PAGE_FILES,
    NAME_BYTES_MAX,
    PATH_BYTES_MAX,
    ROLL_FILES_MAX,
    SPEED_PARTS_MAX,
    SPEED_SECONDS_MAX,
    UTC_MS_MAX,
)
from syncd.roll.digests import Algorithm
from syncd.roll.inventory import EVIDENCE_MARK_BYTES, ROLL_ID_LENGTH, FileEntry, Trust
from syncd.roll.stages import HeldCode, Stage
from syncd.wire.fields import (
    BadMessage,
    Blob,
    Choice,
    Field,
    File,
    Flag,
    HexText,
    Many,
    Maybe,
    PlainMap,
    Real,
    Said,
    Text,
    Whole,
    pack_plain,
    unpack_plain,
)
from syncd.wire.keys import LaneKeys, Seal

# A list may be this long anywhere in a body; each field then has its own, mostly smaller bound.
ARRAY_MAX = 10_000
EMPTY_FOLDERS_MAX = ARRAY_MAX
ANEW_MAX = 64  # further ones come with the next offer
LISTED_ROLLS_MAX = ARRAY_MAX
ALSO_MAX = 16
TIDINGS_MAX = 1000
TIDINGS_WAIT_S_MAX = 60.0
LACKING_BYTES_MAX = 768 * 1024  # 6 million parcels: 96 TiB

Name = Annotated[str, Text(NAME_BYTES_MAX)]
Note = Annotated[str, Said(8192)]
Path = Annotated[str, Text(PATH_BYTES_MAX)]
RollId = Annotated[str, HexText(ROLL_ID_LENGTH)]
Count = Annotated[int, Whole()]
UtcMs = Annotated[int, Whole(high=UTC_MS_MAX)]
Port = Annotated[int, Whole(high=65535)]  # 0: none
Roles = Annotated[tuple[str, ...], Many(Text(32), 8)]
Files = Annotated[tuple[FileEntry, ...], Many(File(), INVENTORY_PAGE_FILES)]
Code = Annotated[str, Text(64, allowed=frozenset(HeldCode))]
Evidence = Annotated[bytes, Blob(0, EVIDENCE_MARK_BYTES)]


class OfferKind(StrEnum):
    """What the storage side says to an offer.

    TAKE: send the parcels it lacks (none: all are there). HAVE: the same content is published.
    REFUSE: held, with code, message and path. INVENTORY: send the pages, then offer again.
    DIGESTS: likewise, with our own digests of every file, to compare with. WAIT: offer again later.
    """

    TAKE = "take"
    HAVE = "have"
    REFUSE = "refuse"
    INVENTORY = "inventory"
    DIGESTS = "digests"
    WAIT = "wait"


@dataclass(frozen=True, slots=True)
class PeerIdentity:
    """Who asks a question, as the transport has proved it; this never travels.

    name: as the config calls the peer. fingerprint: "sha256:" and 64 hex digits; this is the
    identity. address: the host that the connection came from. roles: those that it was paired with
    or pinned for here, whatever it says of itself; without any it may do nothing.
    """

    name: str
    fingerprint: str
    address: str
    roles: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Message:
    """Any message. Raises BadMessage if a field is out of its bounds."""

    def __post_init__(self) -> None:
        self.to_plain()

    def to_plain(self) -> dict[str, Any]:
        """Check every field and return them as plain values."""
        plain = {}
        for name, field in _schema(type(self)).items():
            try:
                plain[name] = field.to_plain(getattr(self, name))
            except ValueError as error:
                raise BadMessage(f"{type(self).__name__}.{name} {error}") from None
        return plain

    @classmethod
    def from_plain(cls, plain: Any) -> Self:
        """Read what to_plain wrote, from a stranger too. Raises BadMessage naming the field."""
        schema = _schema(cls)
        if not isinstance(plain, dict):
            raise BadMessage(f"{cls.__name__} must be a map, not {type(plain).__name__}")
        values = {}
        for name, item in plain.items():
            if name not in schema:
                raise BadMessage(f"{cls.__name__} has no field {name[:80]!r}")
            try:
                values[name] = schema[name].from_plain(item)
            except ValueError as error:
                raise BadMessage(f"{cls.__name__}.{name} {error}") from None
        for needed in fields(cls):
            if needed.name not in values and needed.default is MISSING:
                raise BadMessage(f"{cls.__name__}.{needed.name} is missing")
        return cls(**values)


@dataclass(frozen=True, slots=True)
class _Inner:
    """A field that holds a message of its own."""

    kind: type[Message]

    def to_plain(self, value: Any) -> dict[str, Any]:
        if not isinstance(value, self.kind):
            raise ValueError(f"must be a {self.kind.__name__}")  # noqa: TRY004
        return value.to_plain()

    def from_plain(self, plain: Any) -> Message:
        return self.kind.from_plain(plain)


_SCHEMAS: dict[type[Message], dict[str, Field]] = {}


def _schema(kind: type[Message]) -> dict[str, Field]:
    """Return what each field of a message may hold, read once from its annotations."""
    if kind not in _SCHEMAS:
        hints = get_type_hints(kind, include_extras=True)
        _SCHEMAS[kind] = {f.name: hints[f.name].__metadata__[0] for f in fields(kind)}
    return _SCHEMAS[kind]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hello(Message):
    """Who asks, and what its clock says; also the heartbeat.

    storage_wait_s: for how long a lane of this box has waited for its own storage; 0: none waits.
    """

    node: Name
    roles: Roles
    version: Name
    utc_ms: UtcMs
    storage_wait_s: Annotated[float, Real(0.0, 1e9)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class HelloAnswer(Message):
    """Who answers.

    bulk_port: where its lanes are accepted. storage: "" if it can take rolls, else why not.
    storage_wait_s: for how long a lane there has waited for the storage to write; 0: none waits.
    """

    node: Name
    roles: Roles
    version: Name
    utc_ms: UtcMs
    bulk_port: Port
    storage: Note = ""
    storage_wait_s: Annotated[float, Real(0.0, 1e9)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer(Message):
    """A roll in one message; its files follow in pages if they are asked for.

    released: a person let a held roll go on; it goes on at the other end, too.
    replaces: earlier rolls of this peer that can never be completed: their source is this one now.
    evidence: Inventory.evidence_mark, by which the same media under other evidence are told; b""
    from a box that does not say.
    state: what its parcels say in the place of that, where files without evidence may change; of
    the state before, none is taken any more. anew: files of which nothing counts that came before.
    left_out: what of the roll's folder does not travel; not said if all does, as an older box knows
    no such field.
    """

    roll_id: RollId
    day: Name
    name: Name
    trust: Annotated[Trust, Choice(Trust)]
    file_count: Annotated[int, Whole(high=ROLL_FILES_MAX)]
    total_bytes: Count
    parcel_count: Annotated[int, Whole(high=8 * LACKING_BYTES_MAX)]
    empty_folders: Annotated[tuple[str, ...], Many(Text(PATH_BYTES_MAX, 1), EMPTY_FOLDERS_MAX)] = ()
    rank: Annotated[int, Whole(low=-1_000_000, high=1_000_000)] = 100
    needed_by_utc_ms: Annotated[int | None, Maybe(Whole(high=UTC_MS_MAX))] = None
    released: Annotated[bool, Flag()] = False
    replaces: Annotated[tuple[str, ...], Many(HexText(ROLL_ID_LENGTH), 8)] = ()
    evidence: Evidence = b""
    state: Evidence = b""
    anew: Annotated[tuple[str, ...], Many(Text(PATH_BYTES_MAX, 1), ANEW_MAX)] = ()
    left_out: Note = ""

    def to_plain(self) -> dict[str, Any]:
        """Check every field and return them as plain values."""
        plain = Message.to_plain(self)  # super() does not know a class with slots
        if not self.left_out:
            del plain["left_out"]
        return plain


@dataclass(frozen=True, slots=True, kw_only=True)
class OfferAnswer(Message):
    """See OfferKind. lacking: bit n of byte n // 8, lowest first, is 1 if parcel n is lacking.

    code, message, path: why it is refused; code is one of HeldCode, or "" otherwise.
    """

    kind: Annotated[OfferKind, Choice(OfferKind)]
    lacking: Annotated[bytes, Blob(0, LACKING_BYTES_MAX)] = b""
    code: Annotated[str, Text(64, allowed=frozenset(HeldCode) | {""})] = ""
    message: Note = ""
    path: Path = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class InventoryPage(Message):
    """Files of a roll that is being offered, from index first on."""

    roll_id: RollId
    first: Count
    files: Files


@dataclass(frozen=True, slots=True, kw_only=True)
class Done(Message):
    """Understood, and done."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenLane(Message):
    """Ask for a ticket for one bulk connection: to send parcels, to fetch them, or to measure it.

    session: the same for all lanes that are open together; a new one ends what is left of others.
    seal: CLEAR if the asker's config wants parcels unencrypted.
    """

    purpose: Annotated[str, Text(16, allowed=frozenset({"send", "fetch", "speed"}))]
    session: Annotated[int, Whole(high=1 << 48)] = 0
    seal: Annotated[Seal, Choice(Seal)] = Seal.SEALED


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class LaneTicket(Message):
    """Good for one lane: shown on the bulk port, and the key that its own are derived from.

    seal: CLEAR only if the asker wanted it, and this box's config does, too.
    """

    ticket: Annotated[bytes, Blob(16, 16)]
    key: Annotated[bytes, Blob(16, 16)]
    port: Port
    seal: Annotated[Seal, Choice(Seal)] = Seal.SEALED

    def keys(self) -> LaneKeys:
        """Return the keys to dial with."""
        return LaneKeys(self.key, self.seal)

    def __repr__(self) -> str:
        return f"LaneTicket(port={self.port})"  # neither ticket nor key belongs in a log


@dataclass(frozen=True, slots=True, kw_only=True)
class Tidings(Message):
    """Ask for the notices after number after; the answer may take wait_s to come."""

    after: Count
    wait_s: Annotated[float, Real(0.0, TIDINGS_WAIT_S_MAX)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tiding(Message):
    """One notice. roll_id: None for the node itself; not checked to be a roll's (see journal)."""

    seq: Count
    notice_id: Name
    roll_id: Annotated[str | None, Maybe(Text(1024))]
    kind: Annotated[str, Text(64, 1)]
    at_utc_ms: UtcMs
    body: Annotated[dict[str, Any], PlainMap()]


@dataclass(frozen=True, slots=True, kw_only=True)
class TidingsAnswer(Message):
    """The notices, oldest first; journal_id says whose numbering seq is."""

    journal_id: Name
    notices: Annotated[tuple[Tiding, ...], Many(_Inner(Tiding), TIDINGS_MAX)] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Withhold(Message):
    """The source side holds this roll: it will not come until a person acts.

    is_over: a person there says that it will not come any more.
    """

    roll_id: RollId
    code: Code
    message: Note = ""
    path: Path = ""
    is_over: Annotated[bool, Flag()] = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Called(Message):
    """A roll that has landed lies, or lay, under another name as well: that leads to it, too."""

    roll_id: RollId
    day: Name
    name: Name


@dataclass(frozen=True, slots=True, kw_only=True)
class CalledAnswer(Message):
    """path: as what the roll was published; "" if there is no such roll."""

    path: Path = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing(Message):
    """Ask which rolls can be fetched, newest first; after: behind the one with this id.

    handoff/listing.py says where a page ends.
    """

    after: Annotated[str | None, Maybe(HexText(ROLL_ID_LENGTH))] = None

    def to_plain(self) -> dict[str, Any]:
        """Leave out a field that says nothing: a box that knows no pages would refuse it."""
        plain = Message.to_plain(self)
        return plain if self.after else {}


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedRoll(Message):
    """One roll that can be fetched.

    also: DAY/ROLL and ids under which the same content was offered, too; the latest ones.
    """

    roll_id: RollId
    day: Name
    name: Name
    stage: Annotated[str, Text(16, allowed=frozenset(Stage))]
    total_bytes: Count
    file_count: Count
    also: Annotated[tuple[str, ...], Many(Text(2 * NAME_BYTES_MAX + 1), ALSO_MAX)] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ListingAnswer(Message):
    """Rolls that can be fetched: one page of them."""

    rolls: Annotated[tuple[ListedRoll, ...], Many(_Inner(ListedRoll), LISTED_ROLLS_MAX)] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class InventoryQuestion(Message):
    """Ask for the files of a roll from index first on."""

    roll_id: RollId
    first: Count = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class InventoryAnswer(Message):
    """One page of a roll's files, with the roll itself. more: ask again after these."""

    head: Annotated[Offer, _Inner(Offer)]
    first: Count
    files: Files
    more: Annotated[bool, Flag()]


@dataclass(frozen=True, slots=True, kw_only=True)
class FetchedReport(Message):
    """A roll has been fetched and verified; digest_check says how."""

    roll_id: RollId
    digest_check: Note


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt(Message):
    """A file of a published roll came with other bytes than its evidence says: read it again."""

    roll_id: RollId
    path: Path


@dataclass(frozen=True, slots=True, kw_only=True)
class DoubtAnswer(Message):
    """What reading it gave: "good", "wrong" with the reason, or "wait": ask again, it is read."""

    kind: Annotated[str, Text(16, allowed=frozenset({"good", "wrong", "wait"}))]
    code: Annotated[str, Text(64, allowed=frozenset(HeldCode) | {""})] = ""
    message: Note = ""
    path: Path = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CableFacts(Message):
    """What a box's own system says of the interface by which it reaches the other box.

    kind: "cable", "wireless", "virtual" (a bridge, a tunnel, a container's) or "own" (loopback);
    "": not known. mbit: the rate it runs at; can_mbit: the most that it could; 0: not known.
    """

    interface: Annotated[str, Text(64)] = ""
    kind: Annotated[
        str, Text(16, allowed=frozenset({"", "cable", "wireless", "virtual", "own"}))
    ] = ""
    mbit: Annotated[int, Whole(high=10_000_000)] = 0
    can_mbit: Annotated[int, Whole(high=10_000_000)] = 0
    mtu: Annotated[int, Whole(high=1 << 20)] = 0
    half_duplex: Annotated[bool, Flag()] = False
    ipv6: Annotated[bool, Flag()] = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DiskFacts(Message):
    """What a box's system says of a disk. usb_mbit: the rate of its USB link; 0: none, unknown."""

    usb_mbit: Annotated[int, Whole(high=10_000_000)] = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Speed(Message):
    """Measure this box for `syncd speed`, one step after the other.

    run: which measuring of the asker; "begin" opens it, "look" asks how far it is and keeps it
    open, "hash", "write" and "read" start these steps, "end" ends it and removes what it wrote.
    seconds: how long the step may take. algorithms: to be measured by "hash".
    """

    run: Annotated[int, Whole(high=1 << 48)]
    step: Annotated[
        str, Text(16, allowed=frozenset({"begin", "look", "hash", "write", "read", "end"}))
    ]
    seconds: Annotated[float, Real(0.0, SPEED_SECONDS_MAX)] = 0.0
    algorithms: Annotated[tuple[str, ...], Many(Text(16, allowed=frozenset(Algorithm)), 4)] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedPart(Message):
    """What one step gave. step: as in Speed; algorithm: of "hash"; note: what to know about it."""

    step: Annotated[str, Text(16)]
    algorithm: Annotated[str, Text(16)] = ""
    total_bytes: Count
    elapsed_s: Annotated[float, Real(0.0, 1e6)]
    note: Annotated[str, Text(512)] = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedAnswer(Message):
    """How far it is. doing: the step that runs, or "". problem, remedy: why it was ended here."""

    doing: Annotated[str, Text(16)] = ""
    parts: Annotated[tuple[SpeedPart, ...], Many(_Inner(SpeedPart), SPEED_PARTS_MAX)] = ()
    cable: Annotated[CableFacts, _Inner(CableFacts)] = CableFacts()
    disk: Annotated[DiskFacts, _Inner(DiskFacts)] = DiskFacts()
    problem: Note = ""
    remedy: Note = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal(Message):
    """No, to any question: a word for scripts, what happened, and what to do about it."""

    code: Annotated[str, Text(64)]
    message: Note
    remedy: Note = ""


ANSWERS: dict[type[Message], type[Message]] = {
    Hello: HelloAnswer,
    Offer: OfferAnswer,
    InventoryPage: Done,
    OpenLane: LaneTicket,
    Tidings: TidingsAnswer,
    Withhold: Done,
    Called: CalledAnswer,
    Listing: ListingAnswer,
    InventoryQuestion: InventoryAnswer,
    FetchedReport: Done,
    Doubt: DoubtAnswer,
    Speed: SpeedAnswer,
}
QUESTIONS: dict[str, type[Message]] = {
    "hello": Hello,
    "offer": Offer,
    "inventory-page": InventoryPage,
    "open-lane": OpenLane,
    "tidings": Tidings,
    "withhold": Withhold,
    "called": Called,
    "listing": Listing,
    "inventory": InventoryQuestion,
    "fetched": FetchedReport,
    "doubt": Doubt,
    "speed": Speed,
}
QUESTION_NAMES: dict[type[Message], str] = {kind: name for name, kind in QUESTIONS.items()}

M = TypeVar("M", bound=Message)


def pack(message: Message) -> bytes:
    """Return message as a body. Raises BadMessage if it is larger than a body may be."""
    body = pack_plain(message.to_plain())
    if len(body) > CONTROL_BODY_BYTES_MAX:
        raise BadMessage(f"{type(message).__name__} has {len(body)} bytes, too many for one body")
    return body


def unpack(kind: type[M], body: bytes) -> M:
    """Read a body as a message of this kind. Raises BadMessage, whatever the bytes are."""
    if len(body) > CONTROL_BODY_BYTES_MAX:
        raise BadMessage(f"{kind.__name__} has {len(body)} bytes, too many for one body")
    return kind.from_plain(unpack_plain(body, array_max=ARRAY_MAX))
