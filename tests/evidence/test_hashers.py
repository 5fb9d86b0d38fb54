"""Every algorithm against published values.

MD5: RFC 1321, appendix A.5; SHA-1, SHA-256, SHA-512: the examples of FIPS 180; both from memory,
and agreed with by hashlib, which is another implementation than the documents'. C4 and XXH:
../shared/standards/c4.md and xxhash.md (published self-test values, tag v0.8.2).
"""

import pytest

from syncd.evidence.hashers import digest_of, new_hasher, new_hashers
from syncd.roll.digests import Algorithm

VECTORS = [
    (Algorithm.MD5, b"", "d41d8cd98f00b204e9800998ecf8427e"),
    (Algorithm.MD5, b"a", "0cc175b9c0f1b6a831c399e269772661"),
    (Algorithm.MD5, b"abc", "900150983cd24fb0d6963f7d28e17f72"),
    (Algorithm.MD5, b"message digest", "f96b697d7cb7938d525a2f31aaf161d0"),
    (Algorithm.MD5, b"abcdefghijklmnopqrstuvwxyz", "c3fcd3d76192e4007dfb496cca67e13b"),
    (Algorithm.SHA1, b"", "da39a3ee5e6b4b0d3255bfef95601890afd80709"),
    (Algorithm.SHA1, b"abc", "a9993e364706816aba3e25717850c26c9cd0d89d"),
    (
        Algorithm.SHA256,
        b"abc",
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
    ),
    (
        Algorithm.SHA512,
        b"abc",
        (
            "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a"
            "2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f"
        ),
    ),
    (
        Algorithm.C4,
        b"foo",
        "c45xZeXwMSpqXjpDumcHMA6mhoAmGHkUo7r9WmN2UgSEQzj9KjgseaQdkEJ11fGb5S1WEENcV3q8RFWwEeVpC7Fjk2",
    ),
]
# Published test buffer: XXH3 uses different code for 0-16, 17-240 and 241+ bytes.
XXH_VECTORS = {
    Algorithm.XXH64: {
        0: "ef46db3751d8e999",
        1: "e934a84adb052768",
        4: "9136a0dca57457ee",
        14: "8282dcc4994e35c8",
        222: "b641ae8cb691c174",
    },
    Algorithm.XXH3: {
        0: "2d06800538d394c2",
        1: "c44bdff4074eecdb",
        6: "27b56a84cd2d7325",
        12: "a713daf0dfbb77e7",
        24: "a3fe70bf9d3510eb",
        48: "397da259ecba1f11",
        80: "bcdefbbb2c47c90a",
        195: "cd94217ee362ec3a",
        403: "cdeb804d65c6dea4",
        512: "617e49599013cb6b",
        2048: "dd59e2c3a5f038e0",
        2240: "6e73a90539cf2948",
        2367: "cb37aeb9e5d361ed",
    },
    Algorithm.XXH128: {
        0: "99aa06d3014798d86001c324468d497f",
        1: "a6cd5e9392000f6ac44bdff4074eecdb",
        6: "082afe0b8162d12a3e7039bdda43cfc6",
        12: "6e3efd8fc7802b18061a192713f69ad9",
        24: "0ce966e4678d37611e7044d28b1b901d",
        48: "a002ac4e5478227ef942219aed80f67b",
        81: "4952f58181ab00425e8bafb9f95fb803",
        222: "337e09641b948717f1aebd597cec6b3a",
        403: "1b6de21e332dd73dcdeb804d65c6dea4",
        512: "18d2d110dcc9bca1617e49599013cb6b",
        2048: "f736557fd47073a5dd59e2c3a5f038e0",
        2240: "ccb134fbfa7ce49d6e73a90539cf2948",
        2367: "e89c0f6ff369b427cb37aeb9e5d361ed",
    },
}


def published_buffer(length: int) -> bytes:
    """Return the test buffer of the xxHash self-test."""
    state, out = 2654435761, bytearray()
    for _ in range(length):
        out.append(state >> 56)
        state = state * 11400714785074694797 % 2**64
    return bytes(out)


@pytest.mark.parametrize(("algorithm", "data", "text"), VECTORS)
def test_digests_are_as_published(algorithm: Algorithm, data: bytes, text: str) -> None:
    """The value and its text form."""
    assert digest_of(algorithm, data).text == text


def test_the_test_buffer_is_the_published_one() -> None:
    """Its first 32 bytes are given beside the vectors."""
    first = "0052929bb732a3242d00af950eecb893e3dfef93aad6cd2a538b5c3f545a6fd5"
    assert published_buffer(32).hex() == first


@pytest.mark.parametrize(
    ("algorithm", "length"), [(a, length) for a, known in XXH_VECTORS.items() for length in known]
)
def test_xxhash_is_canonical_at_every_length(algorithm: Algorithm, length: int) -> None:
    """Big-endian, seed 0, the high half of 128 bits first."""
    assert digest_of(algorithm, published_buffer(length)).text == XXH_VECTORS[algorithm][length]


@pytest.mark.parametrize("algorithm", list(Algorithm))
def test_bytes_in_parts_are_the_bytes_at_once(algorithm: Algorithm) -> None:
    """In any kind of buffer; a digest may be asked for in between."""
    data = published_buffer(1000)
    hasher = new_hasher(algorithm)
    hasher.update(data[:1])
    hasher.digest()
    hasher.update(bytearray(data[1:400]))
    hasher.update(memoryview(data)[400:])

    assert hasher.digest() == hasher.digest() == digest_of(algorithm, data)


def test_several_hashers_are_one_of_each() -> None:
    """In the order asked for."""
    asked = [Algorithm.MD5, Algorithm.C4, Algorithm.MD5]
    assert [hasher.algorithm for hasher in new_hashers(asked)] == [Algorithm.MD5, Algorithm.C4]
