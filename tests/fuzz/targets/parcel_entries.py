"""The list of durable parcels, whose entries have digests of their own.

The first byte says whether the entries come as they are, or are given the digest that fits.
"""

import struct

import xxhash

from syncd.storage.hashing import PIECE_DIGEST_BYTES
from syncd.storage.records import parcel_entries, read_parcel_entries
from tests.fuzz.target import Target
from tests.storage.test_records import PLAN, digests_of


def one(data: bytes) -> bool:
    """Try one input."""
    entries = data[1:] if data[:1] == b"\0" else _checked(data[1:])
    found = read_parcel_entries(entries, PLAN)
    for number, digests in found.items():
        assert 0 <= number < PLAN.count
        assert len(digests) == PIECE_DIGEST_BYTES * len(PLAN.pieces(number))
    assert read_parcel_entries(parcel_entries(found), PLAN) == found
    return bool(found)


def _checked(data: bytes) -> bytes:
    entries = b""
    while len(data) >= 2:
        pieces = data[1] % 4
        digests = data[2 : 2 + pieces * PIECE_DIGEST_BYTES]
        body = struct.pack(">II", data[0], pieces) + digests
        entries += body + xxhash.xxh3_64_digest(body)
        data = data[2 + pieces * PIECE_DIGEST_BYTES :]
    return entries


def seeds() -> list[bytes]:
    """Return valid examples."""
    parcels = {number: digests_of(number) for number in range(PLAN.count)}
    pieces = len(PLAN.pieces(0))
    return [
        b"\0" + parcel_entries(parcels),
        b"\1" + bytes([0, pieces]) + digests_of(0),
    ]


TARGET = Target("parcel-entries", one, seeds, prefix_bytes=1)
