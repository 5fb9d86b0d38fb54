"""What somebody announces: the TXT record as it lies in a packet, and an instance name before it.

The first byte says how long the name is.
"""

from zeroconf import ServiceInfo

from syncd.wire.announcement import (
    LABEL_BYTES_MAX,
    ROLES,
    SERVICE_TYPE,
    instance_name,
    read_announcement,
    txt_record,
)
from syncd.wire.fingerprints import parse_fingerprint
from tests.fuzz.target import Target

FINGERPRINT = "sha256:" + "ab" * 32


def one(data: bytes) -> bool:
    """Try one input."""
    if not data:
        return False
    name = data[1 : 1 + data[0] % 64].decode("utf-8", "replace")
    info = ServiceInfo(SERVICE_TYPE, f"x.{SERVICE_TYPE}", properties=data[1 + data[0] % 64 :])
    try:
        said = read_announcement(f"{name}.{SERVICE_TYPE}", info.properties)
    except ValueError:
        return False
    assert parse_fingerprint(said.fingerprint) == said.fingerprint
    assert len(said.shown_name) <= LABEL_BYTES_MAX
    assert said.shown_name.isprintable()
    assert set(said.roles) <= set(ROLES)
    return True


def seeds() -> list[bytes]:
    """Return valid examples."""
    records = []
    for is_pairing in (False, True):
        items = txt_record(FINGERPRINT, ROLES, is_pairing=is_pairing).items()
        pairs = [key.encode() + b"=" + value for key, value in items]
        records.append(b"".join(bytes([len(pair)]) + pair for pair in pairs))
    name = instance_name("offload-1", FINGERPRINT).encode()
    return [bytes([len(name)]) + name + record for record in records]


TARGET = Target(
    "announcement",
    one,
    seeds,
    tokens=(b"\x09txtvers=1", b"\x23fp=" + b"a" * 32, b"\x06pair=1", b"\xff", b"\x00", b"fp", b"="),
)
