"""Against the published schemas and example of ASC MHL, where that folder lies beside the repo.

Source: ../shared/standards/asc-mhl (github.com/ascmitc/mhl, MIT, Copyright (c) 2020 ASC; the schema
in Appendix A's order is derived from it). The example's values are written into
tests/evidence/test_ascmhl_read.py and test_ascmhl_write.py, too, for where it is absent.
"""

from pathlib import Path

import pytest
from lxml import etree

from syncd.evidence.ascmhl_directory import directory_hashes
from syncd.evidence.ascmhl_history import History, read_histories
from syncd.evidence.ascmhl_read import read_manifest
from syncd.evidence.ascmhl_write import SealedFile, next_generation
from syncd.evidence.hashers import digest_of
from syncd.evidence.verdict import Complete, judge
from syncd.roll.digests import DIGEST_BYTES, Algorithm, Digest
from tests.evidence.samples import CLIPS, Roll, Written, history, manifest, record, records, written

STANDARDS = Path(__file__).parents[3] / "shared" / "standards" / "asc-mhl"
EXAMPLE = STANDARDS / "examples" / "A003R2EC"
MANIFEST_SCHEMAS = ["ASCMHL.xsd", "ASCMHL-appendix-A-order.xsd"]

pytestmark = pytest.mark.skipif(
    not STANDARDS.is_dir(), reason="the schemas (../shared/standards/asc-mhl) are not here"
)


class _Local(etree.Resolver):  # type: ignore[misc]  # lxml has no types
    """Resolves the web address by which the chain's schema imports the other to the local file."""

    def resolve(self, system_url: str, public_id: str, context: object) -> object:
        del public_id
        if system_url.endswith("ASCMHL.xsd"):
            return self.resolve_filename(str(STANDARDS / "ASCMHL.xsd"), context)
        return None


def schema(name: str) -> etree.XMLSchema:
    """Load a schema without asking the network."""
    parser = etree.XMLParser(no_network=True)
    parser.resolvers.add(_Local())
    return etree.XMLSchema(etree.parse(STANDARDS / name, parser))


def assert_valid(new: list[Written]) -> None:
    """Validate everything that was written."""
    for file in new:
        is_chain = file.path.endswith("ascmhl_chain.xml")
        for name in ["ASCMHLDirectory.xsd"] if is_chain else MANIFEST_SCHEMAS:
            schema(name).assertValid(etree.fromstring(file.data))


def example() -> dict[str, bytes]:
    """Return the published roll, by path."""
    found = (path for path in EXAMPLE.rglob("*") if path.is_file())
    return {path.relative_to(EXAMPLE).as_posix(): path.read_bytes() for path in found}


def write(files: dict[str, bytes], algorithms: list[Algorithm]) -> list[Written]:
    """Write the next generation over files."""
    sealed = [
        SealedFile(path, len(data), 10**18, tuple(digest_of(a, data) for a in algorithms))
        for path, data in sorted(files.items())
    ]
    histories: tuple[History, ...] = read_histories(files, files.__getitem__)
    new = next_generation(
        "A & <B>",
        sealed,
        histories,
        host_name="process-1 <&> \x1b",
        tool_version='0.1 "x"',
        started_utc_ms=1_773_500_000_000,
        folders=["EMPTY"],
        ignore=["*.<tmp>"],
    )
    return written(new)


def test_the_published_roll_is_complete() -> None:
    """Chain, manifest and all three media."""
    files = example()
    verdict = judge(Roll(files).view())

    assert isinstance(verdict, Complete)
    media = {e.path: e.digests for e in verdict.inventory.files if "ascmhl" not in e.path}
    assert set(media) == {path for path in files if "ascmhl" not in path}
    for path, (digest,) in media.items():
        assert digest == digest_of(Algorithm.XXH64, files[path])


def test_the_published_directory_hashes_are_ours() -> None:
    """Computed from the media themselves."""
    files = example()
    (path,) = (path for path in files if path.endswith(".mhl"))
    generation = read_manifest(files[path], path)
    digests = [(p, digest_of(Algorithm.XXH64, d)) for p, d in files.items() if "ascmhl" not in p]
    hashes = directory_hashes(Algorithm.XXH64, digests)

    assert hashes[""] == (generation.root_content[0], generation.root_structure[0])
    for folder in generation.folders:
        assert hashes[folder.path] == (folder.content[0], folder.structure[0])


def test_the_published_history_gains_a_valid_generation() -> None:
    """And its own manifest stays byte for byte what the chain names."""
    files = example()
    new = write(files, [Algorithm.XXH64, Algorithm.XXH128])
    assert_valid(new)
    files |= {file.path: file.data for file in new}

    (found,) = read_histories(files, files.__getitem__)
    assert len(found.chain) == 2


def test_every_format_and_nested_histories_are_valid_by_both_schemas() -> None:
    """All that the writer can write, with markup in every text."""
    inner = history(manifest([record("A012C001.mov", CLIPS["CLIPS/A012C001.mov"])]), scope="CLIPS")
    path = next(path for path in inner if path.endswith(".mhl"))
    top = manifest([record("Sidecar.txt", CLIPS["Sidecar.txt"])], references={path: inner[path]})
    files = {**CLIPS, "x & <y> 'z' é.wav": b"", **inner, **history(top)}
    new = write(files, list(Algorithm))

    assert len(new) == 4
    assert_valid(new)


@pytest.mark.parametrize("algorithm", [a for a in Algorithm if a not in {"sha256", "sha512"}])
def test_a_first_generation_in_one_format_is_valid(algorithm: Algorithm) -> None:
    """Whatever the read-back hashed in."""
    assert_valid(write(CLIPS, [algorithm]))


def test_what_the_tests_write_by_hand_is_valid_too() -> None:
    """Else they would test the reader on what nobody writes."""
    for path, data in history(manifest(records(CLIPS)), manifest(records(CLIPS))).items():
        name = "ASCMHLDirectory.xsd" if path.endswith("_chain.xml") else "ASCMHL.xsd"
        schema(name).assertValid(etree.fromstring(data))


def test_digests_have_the_lengths_of_the_specification() -> None:
    """SPEC 4: 32, 40, 16, 16 and 32 hex digits; C4 has 90 characters."""
    lengths = {a: len(Digest(a, bytes(DIGEST_BYTES[a])).text) for a in Algorithm}
    assert lengths == {
        "c4": 90, "md5": 32, "sha1": 40, "sha256": 64, "sha512": 128,
        "xxh64": 16, "xxh3": 16, "xxh128": 32,
    }  # fmt: skip
