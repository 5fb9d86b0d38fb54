"""Against the whole list of published xxHash self-test values, where it lies beside the repo.

Source: ../shared/standards/xxhash-vectors.json (tag v0.8.2 of github.com/Cyan4973/xxHash). Those
with seed 0 are written into tests/evidence/test_hashers.py, too.
"""

import json
from pathlib import Path

import pytest

from syncd.evidence.hashers import digest_of
from syncd.roll.digests import Algorithm
from tests.evidence.test_hashers import published_buffer

VECTORS = Path(__file__).parents[3] / "shared" / "standards" / "xxhash-vectors.json"
NAMES = {
    Algorithm.XXH64: "xxh64",
    Algorithm.XXH3: "xxh3_64",
    Algorithm.XXH128: "xxh3_128",
}


@pytest.mark.skipif(not VECTORS.is_file(), reason="xxhash-vectors.json is not here")
@pytest.mark.parametrize("algorithm", NAMES)
def test_all_vectors_with_seed_0(algorithm: Algorithm) -> None:
    """Evidence is always seeded with 0 (ASC MHL specification v1.0, 4)."""
    rows = json.loads(VECTORS.read_text())["vectors"][NAMES[algorithm]]
    published = {length: text for length, seed, text in rows if seed == "0"}

    assert len(published) >= 5
    for length, text in published.items():
        assert digest_of(algorithm, published_buffer(length)).text == text
