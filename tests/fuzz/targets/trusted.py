"""trusted.json: whatever became of it, it is read, of a newer version, or damaged."""

import json
from pathlib import Path

from syncd.cli import show
from syncd.errors import ConfigError
from syncd.wire import trust_store
from syncd.wire.peers import PeerBook, TrustedPeer
from tests.fuzz.said import check_said
from tests.fuzz.target import Target

PATH = Path("/var/lib/syncd/trusted.json")
PEER = TrustedPeer(
    "process-1",
    "sha256:" + "9f" * 32,
    ("10.20.0.2", 8840),
    roles=frozenset({"processing"}),
    paired_at_utc_ms=1_773_507_600_000,
)


def one(data: bytes) -> bool:
    """Try one input."""
    try:
        peers = trust_store._parse(data, PATH)
    except ConfigError as error:
        check_said(error)
        return False
    assert trust_store._parse(_written(peers), PATH) == peers
    for row in PeerBook("sha256:" + "0" * 64, peers).listing(0):
        json.dumps(row)
        show.moment(row["paired_at"])
    return True


def _written(peers: tuple[TrustedPeer, ...]) -> bytes:
    rows = [trust_store._to_plain(peer) for peer in peers]
    return json.dumps({"version": trust_store.VERSION, "peers": rows}, indent=2).encode()


TARGET = Target(
    "trusted",
    one,
    lambda: [_written(()), _written((PEER,))],
    tokens=(
        b"[" * 2000, b'{"a":' * 700, b"9" * 4400, b"\\ud800", b"\xff", b"null", b"1e999", b"NaN",
        b"-1",
        b"0001-01-01T00:00:00", b"9999-12-31T23:59:59.999999-23:59", b"2026-W11-6", b"+23:59",
        b"sha256:", b"\\u202e", b"{}", b"[]", b"[[]]",
    ),
    bytes_max=6000,
)  # fmt: skip
