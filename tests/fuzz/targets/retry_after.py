"""What a webhook's receiver answers: status line and headers as bytes, read by the HTTP library."""

import asyncio
import math

from aiohttp import HttpVersion11, http_exceptions
from aiohttp.base_protocol import BaseProtocol
from aiohttp.http_parser import HttpResponseParser

from syncd.edges.clock import RealClock
from syncd.notices.webhook import Target as Webhook
from syncd.notices.webhook import WebhookSubscriber, seconds_in
from tests.fuzz.target import Target

NOW = 1_773_507_600_000
SUBSCRIBER = WebhookSubscriber(
    "hooks", Webhook("https://hooks.example/syncd?key=hidden"), "process-1", tuple, RealClock()
)
DATES = (b"Sun, 06 Nov 2094 08:49:37 GMT", b"Sunday, 06-Nov-94 08:49:37 GMT", b"120")
LOOP = asyncio.new_event_loop()


def one(data: bytes) -> bool:
    """Try one input."""
    wait_s = seconds_in(data[:200].decode("utf-8", "surrogateescape"), NOW)
    assert 0 <= wait_s < math.inf
    try:
        heads, _, _ = HttpResponseParser(BaseProtocol(LOOP), LOOP, limit=2**16).feed_data(data)
    except http_exceptions.HttpProcessingError:
        return False
    for head, _ in heads:
        outcome = SUBSCRIBER._meaning(head.code, head.headers.get("Retry-After", ""))
        assert outcome.delivered == (200 <= head.code < 300)
        assert 0 <= outcome.least_wait_s < math.inf
        assert "hidden" not in outcome.note
        assert len(outcome.note) < 200
    return bool(heads)


def seeds() -> list[bytes]:
    """Return valid examples."""
    return [
        b"HTTP/%d.%d %d Busy\r\nRetry-After: %s\r\nContent-Length: 0\r\n\r\n"
        % (*HttpVersion11, 503, date)
        for date in DATES
    ] + list(DATES)


TARGET = Target(
    "retry-after",
    one,
    seeds,
    tokens=(
        b"Retry-After: ", b"\r\n", b"-0000", b"+9999", b"99999999999", b"Feb 31", b"24:61:61",
        *DATES,
    ),
)  # fmt: skip
