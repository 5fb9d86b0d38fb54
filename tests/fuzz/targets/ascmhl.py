"""ASC MHL: a manifest, or (first byte 1) a chain."""

from syncd.evidence.ascmhl_read import read_chain, read_manifest
from syncd.evidence.errors import EvidenceError
from syncd.evidence.paths import path_problem
from tests.evidence import test_ascmhl_read as samples
from tests.fuzz.said import check_said
from tests.fuzz.target import Target

CHAIN = b"""<?xml version="1.0" encoding="UTF-8"?>
<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0">
<hashlist sequencenr="1"><path>0001_A012_2026-03-14_100001Z.mhl</path><c4>c4%s</c4></hashlist>
<hashlist sequencenr="2"><path>0002_A012_2026-03-14_110001Z.mhl</path><c4>c4%s</c4></hashlist>
</ascmhldirectory>
""" % (b"1" * 88, b"2" * 88)
PATH = "A012/ascmhl/0001_A012_2026-03-14_100001Z.mhl"


def one(data: bytes) -> bool:
    """Try one input."""
    try:
        if data[:1] == b"\1":
            chain = read_chain(data[1:], PATH)
            assert [entry.number for entry in chain] == list(range(1, len(chain) + 1))
            assert not any(path_problem(entry.name) for entry in chain)
            return True
        manifest = read_manifest(data[1:], PATH)
    except EvidenceError as error:
        check_said(error)
        return False
    paths = [file.path for file in manifest.files] + [each.path for each in manifest.folders]
    assert not any(map(path_problem, paths))
    assert len(set(paths)) == len(paths)
    return True


def seeds() -> list[bytes]:
    """Return valid examples."""
    manifest = samples.EXAMPLE.replace(b"\n    ", b"\n")
    return [b"\0" + manifest, b"\1" + CHAIN]


TOKENS = (
    b"<hash>", b"</hash>", b"<path>", b"</path>", b' size="9"', b' action="failed"', b"<!--",
    b"-->",
    b"<![CDATA[", b"]]>", b"<!DOCTYPE a [<!ENTITY b 'c'>]>", b"&b;", b"&#0;", b"&#x10ffff;",
    b"&amp;",
    b"<a>" * 70, b' xmlns="x"', b' xmlns:a="b"', b"<?xml version='1.0' encoding='utf-16'?>",
    b"<?a b?>", b"\0", b"\xff\xfe", b"../", b"//", b"\xed\xa0\x80",
)  # fmt: skip

TARGET = Target("ascmhl", one, seeds, prefix_bytes=1, tokens=TOKENS, bytes_max=8192)
