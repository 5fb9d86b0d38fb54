"""Small inputs that want much: refused within seconds and some megabytes, whatever they promise.

Memory is what Python and its parsers ask for (tracemalloc), whether it is touched or not.
"""

import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace

import pytest

from syncd.board.body import body_of
from syncd.config.reading import parse
from syncd.errors import ConfigError, SyncdError, UsageError
from syncd.evidence.ascmhl_read import read_manifest
from syncd.evidence.checksum_list import parse_checksum_list
from syncd.evidence.errors import EvidenceError
from syncd.evidence.ignoring import Ignoring
from syncd.evidence.media_hash_list import parse_media_hash_list
from syncd.limits import CONTROL_BODY_BYTES_MAX, MIB
from syncd.wire import messages as m
from syncd.wire.fields import BadMessage
from syncd.wire.lane_events import decode
from tests.fuzz.asked import LOOP, head_of, request_of
from tests.fuzz.said import check_said
from tests.fuzz.targets import messages, records

SECONDS_MAX = 20.0  # of which tracing takes most; without a bound it was minutes
LIST = b'<hashlist version="1.1">'
HASHES = b'<hashlist xmlns="urn:ASC:MHL:v2.0" version="2.0"><hashes>'


def costs(run: Callable[[], object], *, mib: float) -> None:
    """Assert that run ends soon and has never asked for more than so much."""
    tracemalloc.start()
    began_s = time.monotonic()
    try:
        run()
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert time.monotonic() - began_s < SECONDS_MAX
    assert peak < mib * MIB


PACKED = {
    "nested as deep as it goes": b"\x91" * 100_000,
    "maps nested": b"\x81\xa0" * 100_000,
    "a map of four thousand million": b"\xdf\xff\xff\xff\xff",
    "a list of four thousand million": b"\xdd\xff\xff\xff\xff" * 100,
    "lists of all that a body may have, nested": b"\xdc\x27\x10" * 500,
    "a text of four gigabytes": b"\xdb\xff\xff\xff\xff",
    "bytes of four gigabytes": b"\xc6\xff\xff\xff\xff",
    "an extension of four gigabytes": b"\xc9\xff\xff\xff\xff\x05",
    "an extension of nothing": b"\xc7\x00\x05",
    "a time": b"\xd6\xff\x00\x00\x00\x00",
    "as many empty maps as a body holds": b"\xdc\x27\x10"
    + (b"\xdc\x27\x10" + b"\x80" * 10_000) * ((CONTROL_BODY_BYTES_MAX - 3) // 10_003),
}


@pytest.mark.parametrize("what", PACKED)
def test_msgpack_that_promises_much_is_refused_cheaply(what: str) -> None:
    """In a body of the control plane, and in a frame of a lane."""
    body = PACKED[what]

    def run() -> None:
        for kind in (m.Offer, m.TidingsAnswer):
            with pytest.raises(BadMessage):
                m.unpack(kind, body)
        with pytest.raises(BadMessage):
            decode(body[:65536])

    costs(run, mib=48)


@pytest.mark.parametrize(
    "body",
    [
        b"\x81\xa5files\xdd\x00\x1e\x84\x80" + b"\x80" * 2_000_000,
        b"\x81\xa5files\xdd\x00\x1e\x84\x80" + b"\x90" * 2_000_000,
        b"\x81\xa5files" + b"\xdd\x7f\xff\xff\xff" * 500,
        b"\x91" * 100_000,
    ],
    ids=["maps", "lists", "promises", "depth"],
)
def test_a_record_that_promises_much_is_no_record(body: bytes) -> None:
    """Its head is right; of two million lists in it, an eighth is made, and none of the maps."""
    costs(lambda: records.one(b"\1" + body), mib=48)


XML = {
    "entities": b'<!DOCTYPE a [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]>' + LIST + b"&b;</hashlist>",
    "one long text": LIST + b"<a>" + b"x" * (8 * MIB) + b"</a></hashlist>",
    "a text of many references": LIST + b"<a>" + b"&amp;" * (2 * MIB) + b"</a></hashlist>",
    "one long attribute": b'<hashlist version="' + b"1" * (8 * MIB) + b'"/>',
    "many attributes": LIST
    + b"<a "
    + b" ".join(b'a%d=""' % n for n in range(9000))
    + b"/></hashlist>",
    "a comment without end": LIST + b"<!--" + b"x" * (8 * MIB),
    "a name without end": LIST + b"<" + b"x" * (8 * MIB),
    "many elements in one record": LIST + b"<hash>" + b"<a/>" * 110_000 + b"</hash></hashlist>",
    "deep": LIST + b"<a>" * 100_000,
}


@pytest.mark.parametrize("what", XML)
def test_xml_that_wants_much_is_refused_cheaply(what: str) -> None:
    """The bytes that came, once or twice, and little besides."""

    def run() -> None:
        with pytest.raises(EvidenceError) as caught:
            parse_media_hash_list(XML[what], name="A012.mhl")
        check_said(caught.value)

    costs(run, mib=64)


def test_elements_beside_the_files_of_a_manifest_are_counted() -> None:
    """A manifest may have any number of files; what is no file is kept until its end."""
    data = HASHES.replace(b"<hashes>", b"<references>" + b"<a/>" * 110_000)

    def run() -> None:
        with pytest.raises(EvidenceError, match="100000 elements"):
            read_manifest(data, "ascmhl/0001.mhl")

    costs(run, mib=64)


def test_white_space_between_files_is_no_text() -> None:
    """A manifest of many files has megabytes of it, and may."""
    one = '<hash><path size="1">{}</path><xxh64 action="original">ef46db3751d8e999</xxh64></hash>'
    files = "".join(one.format(number) + " " * 2000 for number in range(1000))
    data = HASHES + files.encode() + b"</hashes></hashlist>"
    data = data.replace(
        b"<hashes>", b"<processinfo><process>transfer</process></processinfo><hashes>"
    )

    assert len(data) > MIB
    assert len(read_manifest(data, "ascmhl/0001.mhl").files) == 1000


@pytest.mark.parametrize(
    "patterns",
    [
        ["*a" * 8 + "b"],
        ["a*" * 400],
        ["***a***a***b"],
        ["**/a/" * 8],
        ["x" * 2000],
        [f"x{n}" for n in range(1001)],
    ],
    ids=["stars", "many stars", "stars in a row", "folders", "length", "number"],
)
def test_ignore_patterns_that_would_take_for_ever_are_refused(patterns: list[str]) -> None:
    """Each star is tried at each place: eight of them freeze a daemon for hours, for one name."""

    def run() -> None:
        with pytest.raises(EvidenceError) as caught:
            Ignoring(patterns, "ascmhl/0001.mhl").is_ignored("a" * 40 + "c")
        check_said(caught.value)

    costs(run, mib=8)


@pytest.mark.parametrize("pattern", ["*a*a*ab", "**/*a*ab", "a/**/*a*b"])
def test_as_many_stars_as_may_be_take_moments(pattern: str) -> None:
    """In the longest names that there are."""
    ignoring = Ignoring([pattern])

    costs(lambda: ignoring.is_ignored("/".join(["a" * 255] * 4)), mib=8)


@pytest.mark.parametrize(
    "line",
    [
        b"0" * 32 + b"  /" + b"a" * MIB,
        b"MD5 (" + b") = aaaaaaaa" * 90_000,
        b"MD5 " + b"(" * MIB,
        b"\\" + b"0" * 32 + b"  " + b"\\\\" * 200_000 + b"/",
        b"0" * MIB,
        b" " * MIB + b"x",
    ],
    ids=["path", "brackets", "opened", "escapes", "digits", "blanks"],
)
def test_a_long_line_of_a_checksum_list_is_refused_cheaply(line: bytes) -> None:
    """No pattern goes over it again and again, and the error quotes little of it."""

    def run() -> None:
        with pytest.raises(EvidenceError) as caught:
            parse_checksum_list(line + b"\n", name="A012.md5")
        check_said(caught.value)

    costs(run, mib=32)


@pytest.mark.parametrize(
    "data",
    [
        b"node.name" + b".a" * 5000 + b" = 1",
        b"[" + b"a." * 200_000 + b"a]",
        b"a = " + b"[" * 100_000,
        b"a = " + b"{a=" * 100_000,
        b"a = " + b"9" * 100_000,
        b"".join(b"k%d=1\n" % number for number in range(5000)),
    ],
    ids=["dots", "header", "lists", "tables", "digits", "keys"],
)
def test_a_configuration_that_wants_much_is_refused_cheaply(data: bytes) -> None:
    """A key of many names, or a value of many levels, is said, not read for minutes."""

    def run() -> None:
        with pytest.raises(ConfigError) as caught:
            parse(data, "syncd.toml")
        assert len(caught.value.problem) < 20_000

    costs(run, mib=16)


def test_dots_in_comments_and_in_few_addresses_are_no_key() -> None:
    """Only what could be a key of too many names is refused."""
    line = ", ".join('"10.20.0.2"' for _ in range(10)).encode()
    with pytest.raises(ConfigError) as caught:
        parse(b"# " + b"." * 300 + b"\nboard_names = [" + line + b"]", "syncd.toml")
    assert "dots" not in caught.value.problem


@pytest.mark.parametrize(
    "charset", ["punycode", "idna", "utf-7", "unicode_escape", "utf-16", "hex"]
)
def test_no_stranger_chooses_the_codec(charset: str) -> None:
    """Some take seconds for 64 KiB, in which the board answers nobody."""
    request = request_of(head_of(f"application/json; charset={charset}"), b"a-" + b"9" * 60_000)

    def run() -> None:
        with pytest.raises(UsageError, match="UTF-8"):
            LOOP.run_until_complete(body_of(request))

    costs(run, mib=8)


@pytest.mark.parametrize("body", [b"[" * 60_000, b'{"a":' * 10_000, b"[" + b"9" * 60_000 + b"]"])
def test_json_that_wants_much_is_refused_cheaply(body: bytes) -> None:
    """Levels and digits have an end."""

    def run() -> None:
        with pytest.raises(SyncdError):
            LOOP.run_until_complete(body_of(request_of(head_of("application/json"), body)))

    costs(run, mib=8)


@pytest.mark.parametrize("size", [1 << 45, (1 << 63) - 1])
@pytest.mark.parametrize("is_said", [False, True], ids=["hidden", "said"])
def test_an_inventory_with_a_size_that_nobody_has(size: int, is_said: bool) -> None:
    """A parcel for each 16 MiB that it says would be all the memory that there is."""
    file = replace(messages.FILE, size_bytes=size)
    head = m.Offer.from_plain({**messages.OFFER, "total_bytes": size if is_said else 5})
    body = m.pack(m.InventoryAnswer(head=head, first=0, files=(file,), more=False))
    kind = bytes([messages.KINDS.index(m.InventoryAnswer)])
    costs(lambda: messages.one(kind + body), mib=8)
