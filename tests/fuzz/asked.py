"""Requests as the board's handlers get them, from a head that the HTTP library has read."""

import asyncio
from itertools import count

from aiohttp import StreamReader, web
from aiohttp.base_protocol import BaseProtocol
from aiohttp.http_parser import HttpRequestParser, RawRequestMessage
from aiohttp.test_utils import make_mocked_request

LOOP = asyncio.new_event_loop()
_NUMBERS = count()
_CONNECTIONS: list[web.Request] = []
REQUESTS_PER_CONNECTION = 1000  # the library's pretended connection remembers every call


def request_of(head: RawRequestMessage, body: bytes = b"") -> web.Request:
    """Return a request whose body has come already."""
    if next(_NUMBERS) % REQUESTS_PER_CONNECTION == 0:
        _CONNECTIONS[:] = [make_mocked_request("GET", "/")]
    on = _CONNECTIONS[0]
    payload = StreamReader(BaseProtocol(LOOP), 2**16, loop=LOOP)
    payload.feed_data(body)
    payload.feed_eof()
    parts = (on.protocol, on._payload_writer, on.task, LOOP)
    return web.Request(head, payload, *parts, client_max_size=1 << 16)


def head_of(kind: str) -> RawRequestMessage:
    """Return the head of a POST with that content type."""
    text = f"POST /api/fetches HTTP/1.1\r\nHost: localhost\r\nContent-Type: {kind}\r\n\r\n"
    parser = HttpRequestParser(BaseProtocol(LOOP), LOOP, limit=2**16)
    ((head, _),), _, _ = parser.feed_data(text.encode())
    return head
