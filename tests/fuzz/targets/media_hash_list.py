"""The original Media Hash List."""

from syncd.evidence.errors import EvidenceError
from syncd.evidence.media_hash_list import parse_media_hash_list
from syncd.evidence.paths import path_problem
from tests.evidence.samples import md5, xxh64
from tests.evidence.test_media_hash_list import NAME, document, hashed
from tests.fuzz.said import check_said
from tests.fuzz.target import Target
from tests.fuzz.targets.ascmhl import TOKENS


def one(data: bytes) -> bool:
    """Try one input."""
    try:
        entries = parse_media_hash_list(data, name=NAME)
    except EvidenceError as error:
        check_said(error)
        return False
    assert not any(path_problem(entry.path) for entry in entries)
    assert len({entry.path for entry in entries}) == len(entries)
    return True


def seeds() -> list[bytes]:
    """Return valid examples."""
    two = f"<md5>{md5(b'one')}</md5><xxhash64be>{xxh64(b'one')}</xxhash64be>"
    return [document(hashed("CLIPS/a.mov", two), hashed("b.mov", "<null/>"), hashed("b.mov", two))]


TARGET = Target("media-hash-list", one, seeds, tokens=TOKENS)
