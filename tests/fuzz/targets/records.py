"""What a storage says of its rolls: any body under a head that is right.

The first byte chooses: 0 an unfinished roll, else a published one.
"""

import xxhash

from syncd.storage.records import (
    RecordError,
    RollRecord,
    published_record,
    read_published_record,
    read_roll_record,
    roll_record,
)
from tests.fuzz.said import check_moment, check_text
from tests.fuzz.target import Target
from tests.storage.test_records import PUBLISHED, ROLL


class AnyId(str):
    """The id of whatever roll: whether it fits is asked last, and not what is tried here."""

    __slots__ = ()

    def __eq__(self, other: object) -> bool:
        return True

    def __ne__(self, other: object) -> bool:
        return False

    def __hash__(self) -> int:
        return 0


def one(data: bytes) -> bool:
    """Try one input."""
    if not data:
        return False
    kind, body = (b"published" if data[0] else b"roll"), data[1:]
    digest = xxhash.xxh3_128_hexdigest(body).encode()
    whole = b"syncd-record 1 %s %d %s\n%s" % (kind, len(body), digest, body)
    try:
        if not data[0]:
            unfinished = read_roll_record(whole, AnyId("x"))
            roll_id = unfinished.inventory.roll_id
            assert read_roll_record(roll_record(unfinished), roll_id) == unfinished
            return True
        published = read_published_record(whole, AnyId("x"))
    except RecordError as error:
        check_text(ascii(str(error)), length_max=20_000)
        return False
    roll_id = published.inventory.roll_id
    assert read_published_record(published_record(published), roll_id) == published
    list(published.media())
    check_moment(published.published_utc_ms)
    return True


def seeds() -> list[bytes]:
    """Return valid examples."""
    unfinished = roll_record(RollRecord(ROLL, "offload-1"))
    bodies = [data.partition(b"\n")[2] for data in (unfinished, published_record(PUBLISHED))]
    return [bytes([number]) + body for number, body in enumerate(bodies)]


TARGET = Target("records", one, seeds, prefix_bytes=1, is_packed=True)
