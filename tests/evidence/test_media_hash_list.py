"""The original Media Hash List, and XML that means no good.

Source of the form: ../shared/standards/mhl-1.1.md.
"""

import tracemalloc
import weakref
from contextlib import suppress

import pytest

from syncd.evidence.errors import EvidenceError
from syncd.evidence.media_hash_list import parse_media_hash_list
from syncd.evidence.xml_reading import Node, read_xml
from syncd.limits import MANIFEST_DEPTH_MAX
from tests.evidence.samples import md5, xxh64

NAME = "A012_2026-03-14_100500.mhl"


def hashed(path: str, digests: str, size: str = "<size>3</size>") -> str:
    """Return one `hash` element."""
    return (
        f"<hash><file>{path}</file>{size}"
        "<lastmodificationdate>2026-03-14T10:00:00Z</lastmodificationdate>"
        f"{digests}<hashdate>2026-03-14T10:05:00Z</hashdate></hash>\n"
    )


def document(*hashes: str, root: str = 'hashlist version="1.1"') -> bytes:
    """Return a whole list."""
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<{root}>\n'
        "<creatorinfo><name>a person</name><tool>a tool</tool></creatorinfo>\n"
        f"{''.join(hashes)}</{root.split(maxsplit=1)[0]}>\n"
    ).encode()


def said(data: bytes) -> dict[str, tuple[int | None, list[str]]]:
    """Return size and digests by path."""
    entries = parse_media_hash_list(data, name=NAME)
    return {e.path: (e.size_bytes, [str(digest) for digest in e.digests]) for e in entries}


def test_certain_digests_are_taken() -> None:
    """MD5, SHA-1 and the big-endian 64-bit xxHash, several for one file, upper case or not."""
    sha1 = "da39a3ee5e6b4b0d3255bfef95601890afd80709"
    data = document(
        hashed("CLIPS/a &amp; b.mov", f"<md5>{md5(b'one').upper()}</md5><sha1> {sha1}\n</sha1>"),
        hashed("c.mov", f"<xxhash64be>{xxh64(b'two')}</xxhash64be>", size=""),
    )
    assert said(data) == {
        "CLIPS/a & b.mov": (3, [f"md5:{md5(b'one')}", f"sha1:{sha1}"]),
        "c.mov": (None, [f"xxh64:{xxh64(b'two')}"]),
    }


@pytest.mark.parametrize(
    "digest",
    [
        "<xxhash>46947589</xxhash>",
        "<xxhash64>17241709254077376921</xxhash64>",
        "<xxhash64>ef46db3751d8e999</xxhash64>",
        "<null></null>",
        "<null/>",
        "",
    ],
)
def test_an_ambiguous_or_null_digest_lists_the_file_without_proof(digest: str) -> None:
    """Its byte order or base depends on who wrote it."""
    assert said(document(hashed("a.mov", digest))) == {"a.mov": (3, [])}


def test_version_1_0_is_read_too() -> None:
    """It is met on sets still."""
    data = document(hashed("a", f"<md5>{md5(b'')}</md5>"), root='hashlist version="1.0"')
    assert set(said(data)) == {"a"}


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (document(root='hashlist version="2.0"'), "no media hash list of version"),
        (document(root='other version="1.1"'), "no media hash list of version"),
        (document(root='hashlist version="1.1" xmlns="urn:x"'), "no media hash list of version"),
        (document(hashed("/a", "")), "not relative"),
        (document(hashed("../a", "")), "has the part"),
        (document(hashed("", "")), "is empty"),
        (document("<hash><size>3</size></hash>"), "is empty"),
        (document(hashed("a", "<md5>12</md5>")), "is no md5 digest"),
        (document(hashed("a", f"<xxhash64be>{md5(b'')}</xxhash64be>")), "is no xxh64 digest"),
        (document(hashed("a", "", size="<size>-3</size>")), "is no size in bytes"),
        (document(hashed("a", "", size="<size>x</size>")), "is no size in bytes"),
        (document(hashed("a", "", size=f"<size>{'9' * 40}</size>")), "is no size in bytes"),
        (
            document(hashed("a", f"<md5>{md5(b'')}</md5>"), hashed("a", f"<md5>{md5(b'x')}</md5>")),
            "another md5 on line 4",
        ),
        (document(hashed("a", ""), hashed("a", "", size="<size>4</size>")), "another size"),
        (document()[:-4], "not whole XML"),
        (b"", "not whole XML"),
        (b"not xml", "not whole XML"),
    ],
)
def test_what_is_wrong_is_named_with_the_list(data: bytes, says: str) -> None:
    """And the line, where there is one."""
    with pytest.raises(EvidenceError, match=says) as caught:
        parse_media_hash_list(data, name=NAME)

    assert caught.value.problem.startswith(NAME)
    assert caught.value.remedy


BOMB = b'<!DOCTYPE a [<!ENTITY b "bbbbbbbbbb"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;">]><a>&c;</a>'


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (BOMB, "DOCTYPE"),
        (b'<!DOCTYPE a SYSTEM "file:///etc/passwd"><a/>', "DOCTYPE"),
        (b'<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]><a>&x;</a>', "DOCTYPE"),
        (b"<a>&undefined;</a>", "not whole XML"),
        (b"<a>" * (MANIFEST_DEPTH_MAX + 1), "nested more than"),
        (b"<a></b>", "not whole XML"),
        (b"<a/><a/>", "not whole XML"),
        (b"<a>\x00</a>", "not whole XML"),
        (b'<?xml version="1.0" encoding="no-such"?><a/>', "in the encoding no-such"),
        (b'<?xml version="1.0" encoding="rot13"?><a/>', "in the encoding rot13"),
    ],
)
def test_xml_that_means_no_good_is_refused(data: bytes, says: str) -> None:
    """Bombs, outside files, and depths that no manifest has."""
    with pytest.raises(EvidenceError, match=says):
        read_xml(data, list_path="x", record_parent="", on_record=lambda _: None)


def test_xml_larger_than_the_limit_is_refused_unread(monkeypatch: pytest.MonkeyPatch) -> None:
    """Before a byte is parsed."""
    monkeypatch.setattr("syncd.evidence.xml_reading.MANIFEST_BYTES_MAX", 3)
    with pytest.raises(EvidenceError, match="larger than 3 bytes"):
        read_xml(b"<a/>", list_path="x", record_parent="", on_record=lambda _: None)


def test_records_are_handed_over_and_let_go() -> None:
    """Ten thousand of them cost the memory of few, whatever lies between them."""
    data = b"<a><h><f>x</f>" + b"<f>y</f>" * 3 + b"</h>" + b"<h><f>zz</f></h>" * 10_000 + b"</a>"
    count = 0

    def on_record(node: Node) -> None:
        nonlocal count
        count += len(node.children)

    tracemalloc.start()
    root = read_xml(data, list_path="x", record_parent="", on_record=on_record)
    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()

    assert count == 10_004
    assert root.children == []
    assert peak_bytes < 10 * len(data)


def test_text_and_lines_are_kept() -> None:
    """White space in a path belongs to it; entities are text; lines are counted from 1."""
    root = read_xml(
        b"<a>\n<p k='&lt;'> x &amp;<!-- no --><![CDATA[<y>]]> </p></a>",
        list_path="x",
        record_parent="none",
        on_record=lambda _: None,
    )
    (node,) = root.children
    assert (node.text, node.line, node.attributes) == (" x &<y> ", 2, {"k": "<"})
    assert root.text_of("p") == "x &<y>"
    assert (node.local, node.namespace, root.child("q"), root.text_of("q")) == ("p", "", None, None)


@pytest.mark.usefixtures("no_collection")
@pytest.mark.parametrize("end", ["</hashes>", ""])
def test_nothing_that_was_read_hangs_in_a_cycle(end: str) -> None:
    """Whole or broken: 100,000 records would stay for weeks, as cycles are looked for seldom."""

    class Records:
        def take(self, node: Node) -> None:
            self.last = node

    records = Records()
    kept = weakref.ref(records)
    data = f"<hashes><hash><file>A</file></hash>{end}".encode()
    with suppress(EvidenceError):
        read_xml(data, list_path="x", record_parent="", on_record=records.take)
    assert records.last.line == 1

    del records

    assert kept() is None
