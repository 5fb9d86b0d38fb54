"""Sealed bytes: RFC 8188 (aes128gcm), whole for small messages, record by record for parcels.

Owns: content keys, nonces, delimiters, and the length that a sealed message has. Must not: do I/O,
choose keys or salts (keys.py), or know what the bytes mean. Section numbers below are the RFC's.

A salt is never used twice with the same key material; whoever seals sees to that. On a lane every
parcel has key material of its own besides. Within a message the nonce counts the records, at most
17 of a parcel; it repeats after 2^96.
"""

from dataclasses import dataclass

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from syncd.limits import RECORD_DATA_BYTES
from syncd.wire.hkdf import expand, extract
from syncd.wire.keys import KEY_BYTES, TAG_BYTES

SALT_BYTES = 16
NONCE_BYTES = 12
RECORD_OVERHEAD_BYTES = 1 + TAG_BYTES  # the delimiter, and what authenticates the record
RECORD_SIZE_MIN = 18  # section 2.1
RECORD_SIZE_MAX = RECORD_DATA_BYTES + RECORD_OVERHEAD_BYTES
HEADER_BYTES_MIN = SALT_BYTES + 4 + 1
MORE, LAST = 1, 2  # delimiters, section 2


class SealBrokenError(Exception):
    """What came is not what was sealed with this key: damaged, cut short, or another message."""


@dataclass(frozen=True, slots=True)
class Header:
    """The part of a sealed message before its records (section 2.1)."""

    salt: bytes
    record_size: int
    keyid: bytes = b""

    def __post_init__(self) -> None:
        if len(self.salt) != SALT_BYTES or len(self.keyid) > 255:
            raise ValueError("a salt has 16 bytes, a key id at most 255")
        if self.record_size < RECORD_SIZE_MIN:
            raise ValueError(f"a record has at least {RECORD_SIZE_MIN} bytes")

    def to_bytes(self) -> bytes:
        size = self.record_size.to_bytes(4, "big")
        return self.salt + size + bytes([len(self.keyid)]) + self.keyid


def read_header(data: bytes, *, record_size_max: int = RECORD_SIZE_MAX) -> Header:
    """Read the header that data starts with, before a single record is buffered.

    Raises SealBrokenError if it is incomplete or its record size is out of bounds.
    """
    if len(data) < HEADER_BYTES_MIN or len(data) < HEADER_BYTES_MIN + data[20]:
        raise SealBrokenError("the sealed message ends within its header")
    record_size = int.from_bytes(data[16:20], "big")
    if not RECORD_SIZE_MIN <= record_size <= record_size_max:
        raise SealBrokenError(f"records of {record_size} bytes are out of bounds")
    return Header(bytes(data[:16]), record_size, bytes(data[21 : 21 + data[20]]))


def sealed_bytes(plain_bytes: int, record_data_bytes: int = RECORD_DATA_BYTES) -> int:
    """Return how long a message of plain_bytes is once sealed, without key id or padding."""
    records = max(1, -(-plain_bytes // record_data_bytes))
    return HEADER_BYTES_MIN + plain_bytes + records * RECORD_OVERHEAD_BYTES


class RecordsOfOne:
    """How far the records of one message have come."""

    def __init__(self, plain_bytes: int, record_data_bytes: int) -> None:
        self.is_done = False
        self._index = 0
        self._left_bytes = plain_bytes
        self._record_data_bytes = record_data_bytes

    @property
    def next_bytes(self) -> int:
        """How many bytes of data the next record holds."""
        return min(self._left_bytes, self._record_data_bytes)

    def _is_last(self) -> bool:
        return self._left_bytes <= self._record_data_bytes

    def _step(self) -> None:
        count, self.is_done = self.next_bytes, self._is_last()
        self._left_bytes -= count
        self._index += 1


class _Records(RecordsOfOne):
    """The cipher of one message, and how far its records have come."""

    def __init__(
        self, key_material: bytes, salt: bytes, plain_bytes: int, record_data_bytes: int
    ) -> None:
        super().__init__(plain_bytes, record_data_bytes)
        pseudo_random = extract(salt, key_material)
        self._aead = AESGCM(expand(pseudo_random, b"Content-Encoding: aes128gcm\0", KEY_BYTES))
        self._nonce_base = int.from_bytes(
            expand(pseudo_random, b"Content-Encoding: nonce\0", NONCE_BYTES), "big"
        )
        self.header = Header(salt, record_data_bytes + RECORD_OVERHEAD_BYTES).to_bytes()

    def _nonce(self) -> bytes:
        return (self._nonce_base ^ self._index).to_bytes(NONCE_BYTES, "big")

    def open_padded(self, record: bytes, *, is_last: bool) -> bytes:
        """Open a record of any length; strip padding and delimiter, the last byte but zeros."""
        try:
            opened = self._aead.decrypt(self._nonce(), record, None)
        except (InvalidTag, ValueError):
            raise SealBrokenError("a record is damaged, cut short or out of place") from None
        self._index += 1
        stripped = opened.rstrip(b"\0")
        if not stripped or stripped[-1] != (LAST if is_last else MORE):
            raise SealBrokenError("a record has the wrong delimiter: the message is not whole")
        return stripped[:-1]


class Sealer(_Records):
    """Seals one message of plain_bytes, record by record, between buffers of its caller."""

    def __init__(
        self,
        key_material: bytes,
        salt: bytes,
        plain_bytes: int,
        record_data_bytes: int = RECORD_DATA_BYTES,
    ) -> None:
        super().__init__(key_material, salt, plain_bytes, record_data_bytes)

    def cover(self, plain: memoryview, into: memoryview) -> tuple[memoryview, ...]:
        """Seal the next record of plain into into; return the parts to send."""
        return (self.seal_record(plain, into),)

    def seal_record(self, plain: memoryview, into: memoryview) -> memoryview:
        """Seal the first next_bytes of plain; return the part of into that holds the record.

        The byte of plain after the data is overwritten: the delimiter goes there.
        """
        assert not self.is_done, "every record of this message has been sealed"
        count = self.next_bytes
        plain[count] = LAST if self._is_last() else MORE
        record = into[: count + RECORD_OVERHEAD_BYTES]
        self._aead.encrypt_into(self._nonce(), plain[: count + 1], None, record)
        self._step()
        return record


class Opener(_Records):
    """Opens one message, of which length and salt are known beforehand, record by record."""

    def __init__(
        self,
        key_material: bytes,
        salt: bytes,
        plain_bytes: int,
        record_data_bytes: int = RECORD_DATA_BYTES,
    ) -> None:
        super().__init__(key_material, salt, plain_bytes, record_data_bytes)

    def check_header(self, data: bytes | memoryview) -> None:
        """Raise SealBrokenError unless data is the header that this message must have."""
        if bytes(data) != self.header:
            raise SealBrokenError("the sealed message has another header than agreed")

    def views(self, plain: memoryview, sealed: memoryview) -> tuple[memoryview, ...]:  # noqa: ARG002
        """Return where the parts of the next record go, in their order."""
        return (sealed[: self.next_bytes + RECORD_OVERHEAD_BYTES],)

    def uncover(self, plain: memoryview, sealed: memoryview) -> int:
        """Open the record that views() was filled with into plain; return next_bytes."""
        return self.open_record(sealed[: self.next_bytes + RECORD_OVERHEAD_BYTES], plain)

    def open_record(self, record: memoryview, into: memoryview) -> int:
        """Open a record into a buffer with room for one byte more; return next_bytes.

        Raises SealBrokenError if anything about the record is not as it was sealed.
        """
        assert not self.is_done, "every record of this message has been opened"
        count = self.next_bytes
        try:
            self._aead.decrypt_into(self._nonce(), record, None, into[: len(record) - TAG_BYTES])
        except InvalidTag:
            raise SealBrokenError(f"record {self._index} is not as it was sealed") from None
        if into[count] != (LAST if self._is_last() else MORE):
            raise SealBrokenError(f"record {self._index} has the wrong delimiter")
        self._step()
        return count


def encrypt(
    plaintext: bytes, key_material: bytes, *, salt: bytes, record_size: int, keyid: bytes = b""
) -> bytes:
    """Seal a whole message, as section 2 has it, without padding."""
    header = Header(salt, record_size, keyid).to_bytes()
    data_bytes = record_size - RECORD_OVERHEAD_BYTES
    sealer = Sealer(key_material, salt, len(plaintext), data_bytes)
    plain, into = memoryview(bytearray(data_bytes + 1)), memoryview(bytearray(record_size))
    sealed = bytearray(header)
    for offset in range(0, max(1, len(plaintext)), data_bytes):
        part = plaintext[offset : offset + data_bytes]
        plain[: len(part)] = part
        sealed += sealer.seal_record(plain, into)
    return bytes(sealed)


def decrypt(
    message: bytes, key_material: bytes, *, record_size_max: int = RECORD_SIZE_MAX
) -> bytes:
    """Open a whole message, padded or not. Raises SealBrokenError; never returns a part of one."""
    header = read_header(message, record_size_max=record_size_max)
    cipher = _Records(key_material, header.salt, 0, header.record_size - RECORD_OVERHEAD_BYTES)
    first = HEADER_BYTES_MIN + len(header.keyid)
    plaintext = bytearray()
    for offset in range(first, max(len(message), first + 1), header.record_size):
        record = message[offset : offset + header.record_size]
        is_last = offset + header.record_size >= len(message)
        plaintext += cipher.open_padded(record, is_last=is_last)
    return bytes(plaintext)
