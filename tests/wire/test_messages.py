"""Messages between peers: what goes in comes out, and nothing else is a message."""

import math
from typing import Any

import msgpack
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncd.limits import CONTROL_BODY_BYTES_MAX, INVENTORY_PAGE_FILES, UTC_MS_MAX
from syncd.roll.digests import DIGEST_BYTES, Algorithm, Digest
from syncd.roll.inventory import FileEntry, FileKind, Trust
from syncd.roll.stages import HeldCode, Stage
from syncd.wire import messages as m
from syncd.wire.fields import CONTAINERS_MAX, BadMessage

ROLL_ID = "0123456789abcdef" * 2
PART: dict[str, Any] = {"step": "write", "total_bytes": 1, "elapsed_s": 0.5}

texts = st.text(max_size=40)
counts = st.integers(0, (1 << 63) - 1)
times = st.integers(0, UTC_MS_MAX)
roll_ids = st.text("0123456789abcdef", min_size=32, max_size=32)
roles = st.lists(st.sampled_from(["offload", "processing", "editorial"]), max_size=3).map(tuple)
plain = st.recursive(
    st.none() | st.booleans() | st.integers(-(1 << 62), 1 << 62) | st.floats(-1e9, 1e9) | texts,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(texts, inner, max_size=3),
    max_leaves=6,
)


@st.composite
def file_entries(draw: st.DrawFn) -> FileEntry:
    """Draw a file with up to three digests."""
    algorithms = draw(st.lists(st.sampled_from(Algorithm), unique=True, max_size=3))
    digests = tuple(
        Digest(a, draw(st.binary(min_size=n, max_size=n)))
        for a in algorithms
        for n in [DIGEST_BYTES[a]]
    )
    path = draw(st.text(min_size=1, max_size=40))
    return FileEntry(path, draw(counts), draw(counts), digests, draw(st.sampled_from(FileKind)))


offers = st.builds(
    m.Offer,
    roll_id=roll_ids,
    day=texts,
    name=texts,
    trust=st.sampled_from(Trust),
    file_count=st.integers(0, 2_000_000),
    total_bytes=counts,
    parcel_count=st.integers(0, 1_000_000),
    empty_folders=st.lists(st.text(min_size=1, max_size=9), max_size=3).map(tuple),
    rank=st.integers(-1000, 1000),
    needed_by_utc_ms=st.none() | times,
)
pages = st.lists(file_entries(), max_size=3).map(tuple)
tidings = st.builds(
    m.Tiding,
    seq=counts,
    notice_id=texts,
    roll_id=st.none() | texts,
    kind=st.sampled_from(["ready", "held"]),
    at_utc_ms=times,
    body=st.dictionaries(texts, st.none() | texts | st.lists(texts, max_size=2), max_size=4),
)
listed = st.builds(
    m.ListedRoll,
    roll_id=roll_ids,
    day=texts,
    name=texts,
    stage=st.sampled_from([stage.value for stage in Stage]),
    total_bytes=counts,
    file_count=counts,
)
speed_parts = st.builds(
    m.SpeedPart,
    step=st.sampled_from(["hash", "write", "read"]),
    algorithm=st.sampled_from(["", "md5"]),
    total_bytes=counts,
    elapsed_s=st.floats(0, 1e6),
    note=texts,
)
cables = st.builds(
    m.CableFacts,
    interface=st.text(max_size=9),
    kind=st.sampled_from(["", "cable", "wireless", "virtual", "own"]),
    mbit=st.integers(0, 400_000),
    can_mbit=st.integers(0, 400_000),
    mtu=st.integers(0, 65_536),
    half_duplex=st.booleans(),
    ipv6=st.booleans(),
)
hello = {"node": texts, "roles": roles, "version": texts, "utc_ms": times}
any_message = st.one_of(
    st.builds(m.Hello, **hello),
    st.builds(m.HelloAnswer, **hello, bulk_port=st.integers(0, 65535), storage=texts),
    offers,
    st.builds(
        m.OfferAnswer,
        kind=st.sampled_from(m.OfferKind),
        lacking=st.binary(max_size=64),
        code=st.sampled_from(["", *(code.value for code in HeldCode)]),
        message=texts,
        path=texts,
    ),
    st.builds(m.InventoryPage, roll_id=roll_ids, first=counts, files=pages),
    st.builds(m.Done),
    st.builds(m.OpenLane, purpose=st.sampled_from(["send", "fetch", "speed"])),
    st.builds(
        m.Speed,
        run=st.integers(0, 1 << 48),
        step=st.sampled_from(["begin", "look", "hash", "write", "read", "end"]),
        seconds=st.floats(0, 7),
        algorithms=st.lists(st.sampled_from(["md5", "xxh128"]), max_size=4).map(tuple),
    ),
    st.builds(
        m.SpeedAnswer,
        doing=st.sampled_from(["", "write"]),
        parts=st.lists(speed_parts, max_size=16).map(tuple),
        cable=cables,
        disk=st.builds(m.DiskFacts, usb_mbit=st.integers(0, 20_000)),
        problem=texts,
        remedy=texts,
    ),
    st.builds(
        m.LaneTicket,
        ticket=st.binary(min_size=16, max_size=16),
        key=st.binary(min_size=16, max_size=16),
        port=st.integers(0, 65535),
    ),
    st.builds(m.Tidings, after=counts, wait_s=st.floats(0, 60)),
    st.builds(m.TidingsAnswer, journal_id=texts, notices=st.lists(tidings, max_size=3).map(tuple)),
    st.builds(
        m.Withhold,
        roll_id=roll_ids,
        code=st.sampled_from([code.value for code in HeldCode]),
        message=texts,
        path=texts,
        is_over=st.booleans(),
    ),
    st.builds(m.Called, roll_id=roll_ids, day=texts, name=texts),
    st.builds(m.CalledAnswer, path=texts),
    st.builds(m.Doubt, roll_id=roll_ids, path=texts),
    st.builds(
        m.DoubtAnswer,
        kind=st.sampled_from(["good", "wrong", "wait"]),
        code=st.sampled_from(["", *(code.value for code in HeldCode)]),
        message=texts,
        path=texts,
    ),
    st.builds(m.Listing, after=st.none() | roll_ids),
    st.builds(m.ListingAnswer, rolls=st.lists(listed, max_size=3).map(tuple)),
    st.builds(m.InventoryQuestion, roll_id=roll_ids, first=counts),
    st.builds(m.InventoryAnswer, head=offers, first=counts, files=pages, more=st.booleans()),
    st.builds(m.FetchedReport, roll_id=roll_ids, digest_check=texts),
    st.builds(m.Refusal, code=st.text(max_size=16), message=texts, remedy=texts),
)


def hello_with(**changed: Any) -> bytes:
    """Return a greeting with some fields changed or added."""
    fields = {"node": "offload-1", "roles": ["offload"], "version": "0.1.0", "utc_ms": 1}
    return bytes(msgpack.packb(fields | changed))


@given(any_message)
def test_every_message_comes_back_as_it_was_sent(message: m.Message) -> None:
    """Packing and unpacking gives an equal message of the same class."""
    back = m.unpack(type(message), m.pack(message))

    assert back == message
    assert type(back) is type(message)


@given(st.binary(max_size=400), st.sampled_from([*m.ANSWERS, *m.ANSWERS.values(), m.Refusal]))
@settings(max_examples=300)
def test_random_bytes_are_a_message_or_a_bad_message(body: bytes, kind: type[m.Message]) -> None:
    """No bytes make unpack raise anything but BadMessage."""
    try:
        m.unpack(kind, body)
    except BadMessage:
        return


@given(any_message, st.data())
@settings(max_examples=300)
def test_a_damaged_body_is_a_message_or_a_bad_message(message: m.Message, data: Any) -> None:
    """Bytes changed, dropped or doubled in a valid body raise nothing but BadMessage."""
    body = bytearray(m.pack(message))
    place = data.draw(st.integers(0, len(body) - 1))
    body[place : place + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))

    try:
        m.unpack(type(message), bytes(body))
    except BadMessage:
        return


@given(any_message, plain, st.data())
@settings(max_examples=300)
def test_a_field_of_another_kind_is_a_bad_message_that_names_it(
    message: m.Message, other: Any, data: Any
) -> None:
    """Any plain value in any field is accepted as that field's kind, or refused by its name."""
    fields = message.to_plain()
    if not fields:
        return
    name = data.draw(st.sampled_from(sorted(fields)))

    said = ""
    try:
        m.unpack(type(message), bytes(msgpack.packb(fields | {name: other})))
    except BadMessage as error:
        said = str(error)

    assert not said or f"{type(message).__name__}.{name}" in said


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (hello_with(utc_ms=-1), "Hello.utc_ms must be a whole number"),
        (hello_with(utc_ms=1 << 53), "Hello.utc_ms must be a whole number"),
        (hello_with(utc_ms=253_402_300_799_999), "Hello.utc_ms must be a whole number"),
        (hello_with(utc_ms=True), "Hello.utc_ms must be a whole number"),
        (hello_with(utc_ms=math.nan), "Hello.utc_ms must be a whole number"),
        (hello_with(node="n" * 256), "Hello.node must have 0 to 255 bytes, not 256"),
        (hello_with(node=b"offload-1"), "Hello.node must be text"),
        (hello_with(roles="offload"), "Hello.roles must be a list"),
        (hello_with(roles=["x"] * 9), "Hello.roles may hold 8 entries"),
        (hello_with(roles=["offload", 5]), "Hello.roles entry 1: must be text"),
        (hello_with(colour="red"), "Hello has no field 'colour'"),
        (msgpack.packb({"node": "offload-1"}), "Hello.roles is missing"),
        (msgpack.packb([]), "Hello must be a map"),
        (hello_with() + b"\x00", "not one well-formed"),
        (hello_with()[:-1], "not one well-formed"),
        (b"", "not one well-formed"),
        (b"\x91" * 100_000, "not one well-formed"),
        (hello_with(node=msgpack.Timestamp(1)), "not one well-formed"),
        (hello_with(node=msgpack.ExtType(5, b"x")), "not one well-formed"),
        (b"\x82\xa1a\x01\xa1a\x02", "a key stands in a map twice"),
        (b"\x81\x01\x02", "not one well-formed"),
        (b"\x81\xa4node\xa3\xed\xa0\x80", "not one well-formed"),  # a surrogate as UTF-8
        (b"\xdd\x00\x0f\xff\x00" + b"\x80" * 0xFFF00, "not one well-formed"),
        (b"\x00" * (CONTROL_BODY_BYTES_MAX + 1), "too many for one body"),
    ],
)
def test_a_malformed_greeting_says_what_is_wrong(body: bytes, says: str) -> None:
    """Each way of being malformed gets an answer that names it."""
    with pytest.raises(BadMessage, match=says):
        m.unpack(m.Hello, body)


def test_a_body_of_many_empty_maps_is_not_read_to_its_end() -> None:
    """Containers are counted while they are read: 1 MiB never becomes 72 MB of objects."""
    rows: list[Any] = [[{}] * 5000] * (CONTAINERS_MAX // 5000 + 1)

    with pytest.raises(BadMessage, match=f"more than {CONTAINERS_MAX} lists and maps"):
        m.unpack(m.Listing, bytes(msgpack.packb(rows)))


def test_a_message_that_may_not_exist_cannot_be_built() -> None:
    """The checks run on our side, too, before anything travels."""
    with pytest.raises(BadMessage, match=r"InventoryQuestion\.roll_id must be 32"):
        m.InventoryQuestion(roll_id="../../etc", first=0)
    with pytest.raises(BadMessage, match=r"Withhold\.path"):
        m.Withhold(roll_id=ROLL_ID, code=HeldCode.FILE_MISSING, path="clip\udcff.mov")


def test_a_file_without_a_sensible_size_is_refused() -> None:
    """A file entry of a page is checked like any field."""
    entry = ["Clips/A012C001.mov", -5, 0, [], "media"]
    page = {"roll_id": ROLL_ID, "first": 0, "files": [entry]}

    with pytest.raises(BadMessage, match=r"InventoryPage\.files entry 0: must be a whole number"):
        m.unpack(m.InventoryPage, bytes(msgpack.packb(page)))


def test_notices_may_not_hide_what_json_cannot_say() -> None:
    """A tiding's body is plain, finite and shallow, since it goes on to event streams."""
    deep: Any = "x"
    for _ in range(8):
        deep = [deep]
    for value in (math.nan, math.inf, deep, b"raw", {"n": {3.5: 1}}):
        with pytest.raises(BadMessage, match=r"Tiding\.body"):
            m.Tiding(
                seq=1, notice_id="n", roll_id=None, kind="held", at_utc_ms=1, body={"v": value}
            )


def test_the_largest_page_of_files_fits_a_body() -> None:
    """2,000 files with two digests each pass the bounds on lists and on bytes."""
    digests = (Digest(Algorithm.XXH64, b"x" * 8), Digest(Algorithm.MD5, b"m" * 16))
    files = tuple(
        FileEntry(f"Clips/A012C{number:05}.dpx", 1, 1, digests)
        for number in range(INVENTORY_PAGE_FILES)
    )
    page = m.InventoryPage(roll_id=ROLL_ID, first=0, files=files)

    assert m.unpack(m.InventoryPage, m.pack(page)) == page


def test_a_message_too_large_for_a_body_is_not_sent() -> None:
    """Pack refuses what the other side would refuse."""
    folders = tuple(f"{number:05}" + "f" * 200 for number in range(9000))
    head = m.Offer(
        roll_id=ROLL_ID,
        day="2026-03-14_D12",
        name="A012",
        trust=Trust.EVIDENCE,
        file_count=0,
        total_bytes=0,
        parcel_count=0,
        empty_folders=folders,
    )

    with pytest.raises(BadMessage, match="too many for one body"):
        m.pack(head)


def test_every_question_has_a_name_and_an_answer() -> None:
    """The registry is complete: names, questions and answers belong together."""
    assert set(m.QUESTIONS.values()) == set(m.ANSWERS)
    assert {m.QUESTION_NAMES[kind] for kind in m.ANSWERS} == set(m.QUESTIONS)


def test_keys_stay_out_of_logs() -> None:
    """Printing a ticket shows neither ticket nor key."""
    shown = repr(m.LaneTicket(ticket=b"t" * 16, key=b"k" * 16, port=1))

    assert "tttt" not in shown
    assert "kkkk" not in shown


@pytest.mark.parametrize(
    ("kind", "changed", "says"),
    [
        (m.Speed, {"run": -1}, r"Speed\.run must be a whole number"),
        (m.Speed, {"step": "erase"}, r"Speed\.step must be one of begin, end, hash, look"),
        (m.Speed, {"seconds": 7.5}, r"Speed\.seconds must be a number from 0"),
        (m.Speed, {"seconds": math.nan}, r"Speed\.seconds must be a number"),
        (m.Speed, {"algorithms": ["md5"] * 5}, r"Speed\.algorithms may hold 4 entries"),
        (m.Speed, {"algorithms": ["crc32"]}, r"Speed\.algorithms entry 0: must be one of"),
        (m.SpeedAnswer, {"doing": "w" * 17}, r"SpeedAnswer\.doing must have 0 to 16"),
        (m.SpeedAnswer, {"parts": [PART] * 17}, r"SpeedAnswer\.parts may hold 16 entries"),
        (m.SpeedAnswer, {"parts": [PART | {"elapsed_s": -1}]}, r"SpeedPart\.elapsed_s must be"),
        (m.SpeedAnswer, {"parts": [PART | {"total_bytes": -1}]}, r"SpeedPart\.total_bytes must"),
        (m.SpeedAnswer, {"parts": [PART | {"note": "n" * 513}]}, r"SpeedPart\.note must have"),
        (m.SpeedAnswer, {"parts": [PART | {"algorithm": 5}]}, r"SpeedPart\.algorithm must be text"),
        (m.SpeedAnswer, {"cable": {"kind": "rope"}}, r"CableFacts\.kind must be one of"),
        (m.SpeedAnswer, {"cable": {"mbit": -1}}, r"CableFacts\.mbit must be a whole number"),
        (m.SpeedAnswer, {"cable": {"can_mbit": 1 << 40}}, r"CableFacts\.can_mbit must be"),
        (m.SpeedAnswer, {"cable": {"mtu": "1500"}}, r"CableFacts\.mtu must be a whole number"),
        (m.SpeedAnswer, {"cable": {"interface": "e" * 65}}, r"CableFacts\.interface must have"),
        (m.SpeedAnswer, {"cable": {"half_duplex": 1}}, r"CableFacts\.half_duplex must be true"),
        (m.SpeedAnswer, {"disk": {"usb_mbit": -480}}, r"DiskFacts\.usb_mbit must be a whole"),
        (m.SpeedAnswer, {"problem": "p" * 8193}, r"SpeedAnswer\.problem must have 0 to 8192"),
    ],
)
def test_a_measuring_out_of_its_bounds_is_refused(
    kind: type[m.Message], changed: dict[str, Any], says: str
) -> None:
    """Neither side can ask for, or tell, more than the limits say."""
    plain = {"run": 1, "step": "write"} if kind is m.Speed else {}
    with pytest.raises(BadMessage, match=says):
        m.unpack(kind, bytes(msgpack.packb(plain | changed)))


@pytest.mark.parametrize("after", ["", "5a17", "G" * 32, "A" * 32, "../" + "a" * 29, 5, [], True])
def test_a_page_of_a_listing_begins_behind_a_roll(after: Any) -> None:
    """The id of one, or nothing at all, and then no field travels."""
    with pytest.raises(BadMessage, match=r"Listing\.after must be 32"):
        m.unpack(m.Listing, bytes(msgpack.packb({"after": after})))
    assert m.pack(m.Listing()) == m.pack(m.unpack(m.Listing, b"\x81\xa5after\xc0")) == b"\x80"
