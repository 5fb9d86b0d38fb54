"""The head of a request to the board: path, query and headers, read by the HTTP library.

What is taken is asked as the board asks: Host and Origin, who it is, where a stream begins.
"""

from typing import Any, cast

from aiohttp import http_exceptions, web
from aiohttp.base_protocol import BaseProtocol
from aiohttp.http_parser import HttpRequestParser

from syncd.board.access import Access
from syncd.board.facade import NodeFacade
from syncd.board.guard import check_form, check_origin
from syncd.board.hosts import Hosts
from syncd.board.streams import EventStreams
from syncd.errors import SyncdError
from tests.board.world import TOKEN
from tests.fuzz.asked import LOOP, at_once, request_of
from tests.fuzz.said import check_said
from tests.fuzz.target import Target

HOSTS = Hosts("http", frozenset({"offload-1"}))
ACCESS = Access(TOKEN)


class Numbers:
    """As much of a node as says where its events begin and end."""

    async def last_seq(self) -> int:
        return 100

    async def oldest_seq(self) -> int:
        return 50


STREAMS = EventStreams(cast("NodeFacade", Numbers()), ACCESS)


def one(data: bytes) -> bool:
    """Try one input."""
    parser = HttpRequestParser(BaseProtocol(LOOP), LOOP, limit=2**16)
    try:
        heads, _, _ = parser.feed_data(data)
    except http_exceptions.HttpProcessingError:
        return False
    return all(list(map(_asked, (head for head, _ in heads)))) and bool(heads)


def _asked(head: Any) -> bool:
    request = request_of(head)
    taken = True
    for ask in (
        lambda: check_origin(request, HOSTS),
        lambda: ACCESS.allows(request),
        lambda: check_form(request),
        lambda: _stream(request),
    ):
        try:
            ask()
        except SyncdError as error:
            check_said(error)
            taken = False
    return taken


def _stream(request: web.Request) -> None:
    seq, is_reset = at_once(STREAMS._start(request))
    assert is_reset or 49 <= seq <= 100


def seeds() -> list[bytes]:
    """Return valid examples."""
    return [
        b"GET /api/events?after=7 HTTP/1.1\r\nHost: offload-1:8842\r\nLast-Event-ID: 60\r\n"
        b"Authorization: Bearer %s\r\n\r\n" % TOKEN.encode(),
        b"POST /api/rolls/A012/rank HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\n"
        b"Sec-Fetch-Site: %s\r\nContent-Type: application/json\r\n\r\n" % b"same-origin",
        b"GET /api/events?after=99 HTTP/1.1\r\nHost: [::1]:8842\r\n\r\n",
    ]


TARGET = Target(
    "board-headers",
    one,
    seeds,
    tokens=(
        b"Last-Event-ID: ", b"?after=", b"0" * 5000, b"9" * 30, b"Host: ", b"Origin: null", b"\r\n",
        b"Authorization: Bearer ", b"Sec-Fetch-Site: cross-site", b"%ed%a0%80", b"%00", b"\xff",
        b"%",
        b"http://", b"[::ffff:127.0.0.1]", b"Content-Encoding: gzip", b"Cookie: __Host-syncd=",
    ),
    bytes_max=7000,
)  # fmt: skip
