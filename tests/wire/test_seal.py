"""Sealing against the RFC's own examples, and against everything that may happen on the way."""

import base64

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncd.wire.seal import (
    HEADER_BYTES_MIN,
    RECORD_SIZE_MAX,
    Opener,
    SealBrokenError,
    Sealer,
    decrypt,
    encrypt,
    read_header,
    sealed_bytes,
)

KEY = b"k" * 16
SALT = bytes(range(16))


def b64(text: str) -> bytes:
    """Read base64url without padding, as the RFC prints it."""
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


# RFC 8188, section 3.1.
WALRUS_KEY = b64("yqdlZ-tYemfogSmv7Ws5PQ")
WALRUS = b64("I1BsxtFttlv3u_Oo94xnmwAAEAAA-NAVub2qFgBEuQKRapoZu-IxkIva3MEB1PD-ly8Thjg")
# RFC 8188, section 3.2: records of 25 bytes, key id "a1", and a byte of padding.
PADDED_KEY = b64("BO3ZVPxUlnLORbVGMpbT1Q")
PADDED = b64(
    "uNCkWiNYzKTnBN9ji3-qWAAAABkCYTHOG8chz_gnvgOqdGYovxyjuqRyJFjEDyoF1Fvkj6hQPdPHI51OEUKEpgz3SsLWIqS_uA"
)


def test_the_first_example_of_the_rfc_opens() -> None:
    """RFC 8188, section 3.1."""
    assert decrypt(WALRUS, WALRUS_KEY) == b"I am the walrus"


def test_the_first_example_of_the_rfc_is_what_we_seal() -> None:
    """RFC 8188, section 3.1, byte for byte."""
    sealed = encrypt(b"I am the walrus", WALRUS_KEY, salt=WALRUS[:16], record_size=4096)
    assert sealed == WALRUS


def test_the_second_example_of_the_rfc_opens() -> None:
    """RFC 8188, section 3.2: several records, a key id, padding."""
    assert decrypt(PADDED, PADDED_KEY) == b"I am the walrus"
    assert read_header(PADDED).keyid == b"a1"
    assert read_header(PADDED).record_size == 25


@given(plain=st.binary(max_size=200), record_size=st.integers(18, 60), keyid=st.binary(max_size=9))
def test_what_was_sealed_opens(plain: bytes, record_size: int, keyid: bytes) -> None:
    """Any text, any record size, a full last record among them; and nothing for nothing."""
    sealed = encrypt(plain, KEY, salt=SALT, record_size=record_size, keyid=keyid)
    assert decrypt(sealed, KEY) == plain
    assert len(sealed) == sealed_bytes(len(plain), record_size - 17) + len(keyid)


@pytest.mark.parametrize("length", range(len(WALRUS)))
def test_a_message_cut_short_never_opens(length: int) -> None:
    """A partial message is not handled as a whole one (section 4.2)."""
    with pytest.raises(SealBrokenError):
        decrypt(WALRUS[:length], WALRUS_KEY)


def test_a_message_cut_at_a_record_does_not_open() -> None:
    """The missing 2 tells, though every record that came is good."""
    sealed = encrypt(b"a" * 30, KEY, salt=SALT, record_size=27)
    with pytest.raises(SealBrokenError, match="not whole"):
        decrypt(sealed[: HEADER_BYTES_MIN + 2 * 27], KEY)


def test_a_record_after_the_last_does_not_open() -> None:
    """A delimiter of 2 in the middle ends nothing."""
    sealed = encrypt(b"a" * 10, KEY, salt=SALT, record_size=27)
    with pytest.raises(SealBrokenError):
        decrypt(sealed + sealed[HEADER_BYTES_MIN:], KEY)


def test_records_out_of_order_do_not_open() -> None:
    """Each record is bound to its place."""
    sealed = encrypt(b"a" * 30, KEY, salt=SALT, record_size=27)
    first, second = sealed[21:48], sealed[48:75]
    with pytest.raises(SealBrokenError):
        decrypt(sealed[:21] + second + first + sealed[75:], KEY)


@pytest.mark.parametrize("bit", range(0, len(WALRUS) * 8, 5))
def test_a_flipped_bit_never_passes(bit: int) -> None:
    """Salt, record size, data, tag: all of it counts."""
    damaged = bytearray(WALRUS)
    damaged[bit // 8] ^= 1 << bit % 8
    try:
        opened = decrypt(bytes(damaged), WALRUS_KEY)
    except SealBrokenError:
        return
    # A larger record size alone changes nothing about a message of one record.
    assert 16 <= bit // 8 < 20
    assert opened == b"I am the walrus"


@pytest.mark.parametrize("record_size", [0, 17, RECORD_SIZE_MAX + 1, 0xFFFFFFFF])
def test_a_record_size_out_of_bounds_is_refused_by_the_header_alone(record_size: int) -> None:
    """Below 18 is invalid (2.1), and nobody makes us buffer 4 GiB."""
    with pytest.raises(SealBrokenError, match="out of bounds"):
        read_header(SALT + record_size.to_bytes(4, "big") + b"\0")


# Record by record


def seal(plain: bytes, record_data_bytes: int, salt: bytes = SALT) -> list[bytes]:
    """Seal plain with a Sealer; header first, then each record."""
    sealer = Sealer(KEY, salt, len(plain), record_data_bytes)
    buffer, into = memoryview(bytearray(record_data_bytes + 1)), memoryview(bytearray(400))
    parts = [sealer.header]
    while not sealer.is_done:
        count = sealer.next_bytes
        buffer[:count], plain = plain[:count], plain[count:]
        parts.append(bytes(sealer.seal_record(buffer, into)))
    return parts


def open_all(parts: list[bytes], plain_bytes: int, record_data_bytes: int) -> bytes:
    """Open what seal made with an Opener."""
    opener = Opener(KEY, SALT, plain_bytes, record_data_bytes)
    opener.check_header(parts[0])
    into, plain = memoryview(bytearray(record_data_bytes + 1)), b""
    for record in parts[1:]:
        count = opener.open_record(memoryview(record), into)
        plain += into[:count]
    assert opener.is_done
    return plain


@given(plain=st.binary(max_size=100), record_data_bytes=st.integers(1, 40))
def test_record_by_record_is_the_same_message(plain: bytes, record_data_bytes: int) -> None:
    """The streaming way and the whole way seal the same bytes, and open each other's."""
    parts = seal(plain, record_data_bytes)
    whole = encrypt(plain, KEY, salt=SALT, record_size=record_data_bytes + 17)
    assert b"".join(parts) == whole
    assert open_all(parts, len(plain), record_data_bytes) == plain


def test_an_opener_refuses_a_message_with_fewer_or_more_records() -> None:
    """The length was agreed on beforehand; a delimiter in the wrong place is a broken seal."""
    parts = seal(b"a" * 20, 10)
    with pytest.raises(SealBrokenError, match="delimiter"):
        open_all(parts, 30, 10)
    with pytest.raises(SealBrokenError, match="delimiter"):
        open_all(parts[:2], 10, 10)


def test_an_opener_refuses_another_salt() -> None:
    """The header has to be exactly the one that this parcel must have."""
    with pytest.raises(SealBrokenError, match="header"):
        open_all(seal(b"a", 10, salt=b"x" * 16), 1, 10)
