"""Digests as text, and C4 against the published vectors.

C4 vectors: ../shared/standards/c4.md, from the reference library's test data
(github.com/Avalanche-io/libc4, tests/c4_id_test.cpp, commit d10fe86), re-computed there.
"""

import hashlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncd.roll.digests import (
    C4_ALPHABET,
    DIGEST_BYTES,
    Algorithm,
    Digest,
    c4_bytes,
    c4_text,
    parse_digest,
)

C4_EMPTY = (
    "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT"
)
C4_WORDS = """
foo c45xZeXwMSpqXjpDumcHMA6mhoAmGHkUo7r9WmN2UgSEQzj9KjgseaQdkEJ11fGb5S1WEENcV3q8RFWwEeVpC7Fjk2
alfa c43zYcLni5LF9rR4Lg4B8h3Jp8SBwjcnyyeh4bc6gTPHndKuKdjUWx1kJPYhZxYt3zV6tQXpDs2shPsPYjgG81wZM1
bravo c42jd8KUQG9DKppN1qt5aWS3PAmdPmNutXyVTb8H123FcuU3shPxpUXsVdcouSALZ4PaDvMYzQSMYCWkb6rop9zhDa
charlie c44erLietE8C1iKmQ3y4ENqA9g82Exdkoxox3KEHops2ux5MTsuMjfbFRvUPsPdi9Pxc3C2MRvLxWT8eFw5XKbRQGw
delta c42Sv2Wi2Qo8AKbJKnUP6YTSdz8pt9aDaf2Ltx44HF1UDdXANM8Ltk6qEzpncvmVbw6FZxgBumw9Eo2jtGyaQ5gDSC
echo c41bviGCyTM2stoMYVTVKgBkfC6SitoLRFinp77BcmN9awdaeC9cxPy4zyFQBhmTvRzChawbECK1KBRnw3KnagA5be
foxtrot c427CsZdfUAHyQBS3hxDFrL9NqgKeRuKkuSkxuYTm26XG7AKAWCjViDuMhHaMmQBkvuHnsxojetbQU1DdxHjzyQw8r
golf c41yLiwAPdsjiBAAw8AFwQGG3cAWnNbDio21NtHE8yD1Fh5irRE4FsccZvm1WdJ4FNHtR1kt5kev7wERsgYomaQbfs
hotel c44nNyaFuVbt5MCfo2PYWHpwMkBpYTbt14C6TuoLCYH5RLvAFLngER3nqHfXC2GuttcoDxGBi3pY1j3pUF2W3rZD8N
india c41nJ6CvPN7m7UkUA3oS2yjXYNSZ7WayxEQXWPae6wFkWwW8WChQWTu61bSeuCERu78BDK1LUEny1qHZnye3oU7DtY
"""
C4_VECTORS = {"": C4_EMPTY} | dict(line.split() for line in C4_WORDS.strip().splitlines())
C4_HIGHEST = (
    "c467rpwLCuS5DGA8KGZXKsVQ7dnPb9goRLoKfgGbLfQg9WoLUgNY77E2jT11fem3coV9nAkguBACzrU1iyZM4B8roQ"
)


@pytest.mark.parametrize("text", C4_VECTORS)
def test_c4_ids_are_as_published(text: str) -> None:
    """The ID is the SHA-512 of the bytes in base 58, and reads back to it."""
    sha512 = hashlib.sha512(text.encode()).digest()

    assert c4_text(sha512) == C4_VECTORS[text]
    assert c4_bytes(C4_VECTORS[text]) == sha512


def test_the_highest_and_the_lowest_c4_id() -> None:
    """64 bytes of 0xFF, and of zero (same source)."""
    assert c4_text(b"\xff" * 64) == C4_HIGHEST
    assert c4_text(bytes(64)) == "c4" + "1" * 88


@pytest.mark.parametrize(
    ("tail", "ends"),
    [("3a", "21"), ("0d24", "211"), ("02fa28", "2111"), ("acad10", "21111")],
)
def test_each_place_of_a_c4_id_is_worth_58_times_the_next(tail: str, ends: str) -> None:
    """58, its square, its cube and fourth power (same source)."""
    value = bytes.fromhex(tail).rjust(64, b"\0")
    assert c4_text(value).endswith("1" + ends)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "90 characters"),
        (C4_HIGHEST[:-1], "90 characters"),
        (C4_HIGHEST + "1", "90 characters"),
        ("C4" + C4_HIGHEST[2:], "starting with c4"),
        (C4_HIGHEST[:-1] + "0", "outside its alphabet"),
        (C4_HIGHEST[:-1] + "O", "outside its alphabet"),
        (C4_HIGHEST[:-1] + "é", "outside its alphabet"),
        (C4_HIGHEST[:-1] + "R", "512 bits"),
        ("c4" + "z" * 88, "512 bits"),
    ],
)
def test_what_is_no_c4_id_is_refused(text: str, says: str) -> None:
    """Length, prefix, alphabet and range are all checked."""
    with pytest.raises(ValueError, match=says):
        c4_bytes(text)


@settings(deadline=None)
@given(st.binary(min_size=64, max_size=64), st.binary(min_size=64, max_size=64))
def test_c4_text_sorts_as_its_bytes_do(one: bytes, other: bytes) -> None:
    """The alphabet ascends and the width is fixed; directory hashes rest on it."""
    assert (c4_text(one) < c4_text(other)) == (one < other)
    assert c4_bytes(c4_text(one)) == one
    assert sorted(C4_ALPHABET) == list(C4_ALPHABET)


@settings(deadline=None)
@given(st.sampled_from(list(Algorithm)), st.data())
def test_every_digest_reads_back_from_its_text(algorithm: Algorithm, data: st.DataObject) -> None:
    """And upper-case hex is the same digest."""
    size = DIGEST_BYTES[algorithm]
    digest = Digest(algorithm, data.draw(st.binary(min_size=size, max_size=size)))

    assert parse_digest(algorithm, digest.text) == digest
    assert str(digest) == f"{algorithm}:{digest.text}"
    if algorithm is not Algorithm.C4:
        assert parse_digest(algorithm, digest.text.upper()) == digest


@pytest.mark.parametrize("algorithm", list(Algorithm))
@pytest.mark.parametrize("text", ["", "12", "zz" * 16, "12 34" * 8, "\uff11" * 16, "-1" * 8])
def test_text_of_another_length_or_alphabet_is_no_digest(algorithm: Algorithm, text: str) -> None:
    """A malformed digest cannot come in."""
    with pytest.raises(ValueError, match=r"is not a|non-hexadecimal"):
        parse_digest(algorithm, text)


def test_a_digest_of_the_wrong_length_cannot_exist() -> None:
    """Checked when it is built."""
    with pytest.raises(ValueError, match="md5 has 16 bytes, not 20"):
        Digest(Algorithm.MD5, bytes(20))
