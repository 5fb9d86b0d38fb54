"""One manifest, one chain: what is read, and the defects that no schema catches.

The defects are those listed in ../shared/standards/asc-mhl.md, "What the schemas do not catch".
"""

import pytest

from syncd.evidence.ascmhl_model import Action
from syncd.evidence.ascmhl_read import read_chain, read_manifest
from syncd.evidence.errors import EvidenceError
from syncd.roll.digests import Algorithm
from tests.evidence.samples import CLIPS, IGNORE, c4, chain, manifest, md5, record, records, xxh64

PATH = "ascmhl/0001_A012_2026-03-14_100001Z.mhl"
# Published example "scenario_05" (github.com/ascmitc/mhl, commit 5970ecb, MIT), whole.
EXAMPLE = b"""<?xml version="1.0" encoding="UTF-8"?>
<hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0">
  <creatorinfo>
    <creationdate>2020-01-16T09:15:00+00:00</creationdate>
    <hostname>myHost.local</hostname>
    <tool version="0.3 alpha">ascmhl.py</tool>
  </creatorinfo>
  <processinfo>
    <process>in-place</process>
    <roothash>
      <content>
        <xxh64 hashdate="2020-01-16T09:15:00+00:00">7a82373c131cf40a</xxh64>
      </content>
      <structure>
        <xxh64 hashdate="2020-01-16T09:15:00+00:00">1131a950fcc55e4b</xxh64>
      </structure>
    </roothash>
    <ignore>
      <pattern>.DS_Store</pattern>
      <pattern>ascmhl</pattern>
      <pattern>ascmhl/</pattern>
    </ignore>
  </processinfo>
  <hashes>
    <hash>
      <path size="5" lastmodificationdate="2020-01-15T13:30:00+00:00">Clips/A003C011_141024_R2EC.mov</path>
      <xxh64 action="original" hashdate="2020-01-16T09:15:00+00:00">52392f79a36d6571</xxh64>
    </hash>
    <directoryhash>
      <path lastmodificationdate="2020-01-15T13:30:00+00:00">Clips</path>
      <content>
        <xxh64 hashdate="2020-01-16T09:15:00+00:00">f2afc6434255a53d</xxh64>
      </content>
      <structure>
        <xxh64 hashdate="2020-01-16T09:15:00+00:00">a25d5ca89c95f9e2</xxh64>
      </structure>
    </directoryhash>
  </hashes>
</hashlist>
"""  # noqa: E501  # as published


def test_the_published_example_is_read() -> None:
    """Every field that counts."""
    read = read_manifest(EXAMPLE, PATH)

    (file,) = read.files
    assert (file.path, file.size_bytes) == ("Clips/A003C011_141024_R2EC.mov", 5)
    assert [(str(d), a) for d, a in file.digests] == [("xxh64:52392f79a36d6571", Action.ORIGINAL)]
    (folder,) = read.folders
    assert (folder.path, folder.content[0].text) == ("Clips", "f2afc6434255a53d")
    assert folder.structure[0].text == "a25d5ca89c95f9e2"
    assert read.root_content[0].text == "7a82373c131cf40a"
    assert read.root_structure[0].text == "1131a950fcc55e4b"
    assert (read.process, read.ignore, read.references) == ("in-place", IGNORE, ())


def test_any_namespace_prefix_works() -> None:
    """Specification v1.0, 6.1."""
    data = manifest(records(CLIPS)).decode()
    prefixed = data.replace("<", "<m:").replace("<m:/", "</m:").replace("<m:?", "<?")
    read = read_manifest(prefixed.replace("xmlns=", "xmlns:m=").encode(), PATH)

    assert [file.path for file in read.files] == sorted(CLIPS)


def test_formats_may_come_in_any_order_and_metadata_is_passed_over() -> None:
    """Readers must not depend on the order (example "scenario_05" mixes it)."""
    extra = (
        f'<md5 action="verified">{md5(b"x").upper()}</md5>'
        f'<c4 action="original">{c4(b"x")}</c4>'
        "<metadata><anything xmlns='urn:x'><path>/no</path></anything></metadata>"
    )
    (file,) = read_manifest(manifest([record("a", b"x", extra=extra)]), PATH).files

    assert [d.algorithm for d, _ in file.digests] == [Algorithm.XXH64, Algorithm.MD5, Algorithm.C4]


def test_white_space_and_escapes_in_a_path_are_kept() -> None:
    """Specification v1.0, 6.4.8."""
    (file,) = read_manifest(manifest([record(" a &amp; b ", b"x")]), PATH).files
    assert file.path == " a & b "


def test_a_file_with_only_32_bits_is_listed_without_proof() -> None:
    """The schema allows xxh32, the text does not."""
    weak = '<hash><path>a</path><xxh32 action="original">02cc5d05</xxh32></hash>'
    (file,) = read_manifest(manifest([weak]), PATH).files
    assert file.digests == ()


def hashed(path: str = "a", inside: str | None = None, attributes: str = 'size="1"') -> str:
    """Return a `hash` with something wrong in it."""
    inside = f'<xxh64 action="original">{xxh64(b"")}</xxh64>' if inside is None else inside
    return f"<hash><path {attributes}>{path}</path>{inside}</hash>"


ONE = f'<xxh64 action="original">{xxh64(b"")}</xxh64>'
MIXED = (
    "<directoryhash><path>a</path><content><xxh64>f2afc6434255a53d</xxh64></content>"
    f"<structure><md5>{md5(b'')}</md5></structure></directoryhash>"
)


@pytest.mark.parametrize(
    ("defect", "says"),
    [
        (hashed(inside=""), "a has no digest"),
        (hashed(inside="<xxh64>ef46db3751d8e999</xxh64>"), "no action"),
        (hashed(inside='<xxh64 action="blessed">ef46db3751d8e999</xxh64>'), "action blessed"),
        (hashed() + hashed(), "a is listed a second time"),
        (hashed() + MIXED.replace("<md5>", "<xxh64>").replace("</md5>", "</xxh64>")
         .replace(md5(b""), xxh64(b"")), "a is listed a second time"),
        (hashed(path="/a"), "not relative"),
        (hashed(path="C:/a"), "not relative"),
        (hashed(path="x/../a"), "has the part"),
        (hashed(path=".."), "has the part"),
        (hashed(path=""), "is empty"),
        (hashed(path="a/"), "not a path of a file"),
        ("<hash>" + ONE + "</hash>", "a record has no path"),
        (hashed(inside='<xxh64 action="original">ef46db3751d8e9</xxh64>'), "no xxh64 digest"),
        (hashed(inside='<md5 action="original">ef46db3751d8e999</md5>'), "no md5 digest"),
        (hashed(inside=f'<c4 action="original">{"0" * 90}</c4>'), "no c4 digest"),
        (hashed(attributes='size="-1"'), "no size in bytes"),
        (hashed(attributes='size="1e3"'), "no size in bytes"),
        (hashed(inside=ONE + ONE), "two digests of one format"),
        (hashed(inside=ONE + "<previousPath>../b</previousPath>"), "has the part"),
        (MIXED, "content and structure differ"),
    ],
)  # fmt: skip
def test_a_defect_is_named_with_manifest_and_line(defect: str, says: str) -> None:
    """None of these is caught by the published schema."""
    with pytest.raises(EvidenceError, match=says) as caught:
        read_manifest(manifest([defect]), PATH)

    assert caught.value.problem.startswith(f"{PATH}, line ")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (b"urn:ASC:MHL:v2.0", b"urn:ASC:MHL:v3.0", "no ASC MHL manifest"),
        (b'version="2.0"', b'version="2.1"', "no ASC MHL manifest"),
        (b"in-place", b"by-magic", "the process by-magic"),
        (b"<process>in-place</process>", b"", "the process nothing"),
        (b"</hashes>", b"", "not whole XML"),
    ],
)
def test_what_is_no_manifest_is_refused(old: bytes, new: bytes, says: str) -> None:
    """Another format, another version, or half of one."""
    with pytest.raises(EvidenceError, match=says):
        read_manifest(manifest(records(CLIPS)).replace(old, new), PATH)


def test_a_chain_names_its_generations_in_order() -> None:
    """With the C4 of each."""
    one, two = chain({"0001.mhl": b"one", "0002.mhl": b"two"}), "ascmhl/ascmhl_chain.xml"
    assert [(e.number, e.name, e.c4.text) for e in read_chain(one, two)] == [
        (1, "0001.mhl", c4(b"one")),
        (2, "0002.mhl", c4(b"two")),
    ]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (b'sequencenr="1"', b'sequencenr="2"', "generation 1 is expected here, not 2"),
        (b'sequencenr="2"', b'sequencenr="3"', "generation 2 is expected here, not 3"),
        (b'sequencenr="2"', b"", "generation 2 is expected here"),
        (b"<path>0002.mhl</path>", b"", "needs the path and the C4"),
        (b"<path>0002.mhl", b"<path>../0002.mhl", "has the part"),
        (b"<path>0002.mhl", b"<path>/0002.mhl", "not relative"),
        (b"<c4>c4", b"<c4>d4", "no c4 digest"),
        (b"DIRECTORY:v2.0", b"DIRECTORY:v1.0", "no ASC MHL chain"),
        (b"</ascmhldirectory>", b"", "not whole XML"),
    ],
)
def test_a_chain_with_a_gap_or_a_defect_is_refused(old: bytes, new: bytes, says: str) -> None:
    """Numbers rise by one from 1 (specification v1.0, 7.4)."""
    data = chain({"0001.mhl": b"one", "0002.mhl": b"two"})
    with pytest.raises(EvidenceError, match=says):
        read_chain(data.replace(old, new), "ascmhl/ascmhl_chain.xml")


def test_a_chain_without_generations_is_refused() -> None:
    """It proves nothing, and something went wrong."""
    with pytest.raises(EvidenceError, match="names no manifest"):
        read_chain(chain({}), "ascmhl/ascmhl_chain.xml")
