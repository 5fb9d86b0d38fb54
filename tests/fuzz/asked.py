"""Requests as the board's handlers get them, from a head that the HTTP library has read."""

import asyncio
from collections.abc import Coroutine
from types import SimpleNamespace
from typing import Any, TypeVar

from aiohttp import StreamReader, web
from aiohttp.base_protocol import BaseProtocol
from aiohttp.http_parser import HttpRequestParser, RawRequestMessage

T = TypeVar("T")

LOOP = asyncio.new_event_loop()
# The library's own pretended connection remembers every call, and so takes half of the time.
_CONNECTION: Any = SimpleNamespace(
    ssl_context=None,
    peername=("127.0.0.1", 50000),
    sockname=("127.0.0.1", 8842),
    transport=SimpleNamespace(
        get_extra_info={"peername": ("127.0.0.1", 50000), "sockname": ("127.0.0.1", 8842)}.get
    ),
)
_NOTHING: Any = None


def at_once(work: Coroutine[Any, Any, T]) -> T:
    """Return what a coroutine returns that has nothing to wait for, without a turn of a loop."""
    try:
        work.send(None)
    except StopIteration as end:
        result: T = end.value
        return result
    raise AssertionError("it waits for something")


def request_of(head: RawRequestMessage, body: bytes = b"") -> web.Request:
    """Return a request whose body has come already."""
    payload = StreamReader(BaseProtocol(LOOP), 2**16, loop=LOOP)
    payload.feed_data(body)
    payload.feed_eof()
    parts = (_CONNECTION, _NOTHING, _NOTHING, LOOP)
    return web.Request(head, payload, *parts, client_max_size=1 << 16)


def head_of(kind: str) -> RawRequestMessage:
    """Return the head of a POST with that content type."""
    text = f"POST /api/fetches HTTP/1.1\r\nHost: localhost\r\nContent-Type: {kind}\r\n\r\n"
    parser = HttpRequestParser(BaseProtocol(LOOP), LOOP, limit=2**16)
    ((head, _),), _, _ = parser.feed_data(text.encode())
    return head
