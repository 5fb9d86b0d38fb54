"""Inputs that once ended in something else than a documented error, each as it was found."""

import msgpack
import pytest

from tests.fuzz.target import load
from tests.fuzz.targets.messages import OFFER

FOUND = {
    "lists nested in a marker": ("marker", b'{"syncd_storage": 1, "id": ' + b"[" * 2000),
    "half a character in a marker": ("marker", b'{"syncd_storage": 1, "id": "\\ud800"}'),
    "an event's number of 5,000 digits": (
        "board-headers",
        b"GET /api/events?after=%s HTTP/1.1\r\nHost: localhost\r\n\r\n" % (b"0" * 5000),
    ),
    "half a character in a request": ("board-body", b'\0{"roll": "A012", "to": "/mnt/\\ud800"}'),
    "a time before the first year": ("board-body", b'\0{"needed_by": "0001-01-01T00:00:00+23:59"}'),
    "a time after the last year": ("board-body", b'\0{"needed_by": "9999-12-31T23:59:59-23:59"}'),
    "a time that no offer can hold": ("board-body", b'\0{"needed_by": "1960-01-01T00:00:00Z"}'),
    "a time beyond the calendar": (
        "messages",
        b"\1" + msgpack.packb(OFFER | {"needed_by_utc_ms": 1 << 53}),
    ),
    "a time that is no date in some zones": (
        "messages",
        b"\1" + msgpack.packb(OFFER | {"needed_by_utc_ms": 253_402_300_799_999}),
    ),
    "a time that no zone ahead of UTC has": (
        "board-body",
        b'\0{"needed_by": "9999-12-31T23:59:59Z"}',
    ),
    "paired before the first year": (
        "trusted",
        b'{"version": 1, "peers": [{"name": "process-1", "fingerprint": "sha256:%s", "roles": '
        b'["processing"], "address": null, "paired_at": "0001-01-01T00:00:00+23:59"}]}'
        % (b"9f" * 32),
    ),
    "a root with a long version": (
        "media-hash-list",
        b'<hashlist version="%s"/>' % (b"1" * 3000),
    ),
    "a range that runs backwards": ("ignore-patterns", b"[z-a]\na"),
    "a long path that leads out": (
        "checksum-list",
        b"\0" + b"0" * 32 + b"  /" + b"a" * 3000 + b"\n",
    ),
}


@pytest.mark.parametrize("what", FOUND)
def test_what_was_found_once_is_told_as_an_error(what: str) -> None:
    """It ended in a traceback, or in an error that no message could carry."""
    name, data = FOUND[what]
    load(name).one(data)
