"""The body of a request to the board, with its charset: what is read of it becomes a question.

The first byte chooses the charset; the rest is the body, sent to every path that takes one.
"""

from syncd.board import server
from syncd.board.body import body_of, only
from syncd.errors import SyncdError
from syncd.limits import UTC_MS_MAX
from tests.fuzz.asked import LOOP, head_of, request_of
from tests.fuzz.said import check_moment, check_said
from tests.fuzz.target import Target

CHARSETS = (
    "",
    "utf-8",
    "latin-1",
    "utf-16",
    "utf-7",
    "idna",
    "punycode",
    "hex",
    "unicode_escape",
    "x" * 99,
)
HEADS = {
    charset: head_of("application/json" + (f"; charset={charset}" if charset else ""))
    for charset in CHARSETS
}


def one(data: bytes) -> bool:
    """Try one input."""
    if not data:
        return False
    charset = CHARSETS[data[0] % len(CHARSETS)]
    try:
        body = LOOP.run_until_complete(_read(data[1:], charset))
        only(body, "rank", "needed_by", "roll", "to", "code", "with", "peer", "passphrase", "rush")
    except SyncdError as error:
        check_said(error)
        return False
    for key in ("roll", "to", "code", "with", "peer"):
        _take(key, body)
    return True


def _take(key: str, body: dict[str, object]) -> None:
    """Ask as the handlers do, and let what is taken be fit for the journal."""
    try:
        for text in server._texts(body, key):
            text.encode()
    except SyncdError as error:
        check_said(error)
    try:
        server._rank(body.get("rank"))
        at_ms = server._needed_by(body.get("needed_by"))
    except SyncdError as error:
        check_said(error)
    else:
        assert at_ms is None or 0 <= at_ms <= UTC_MS_MAX, "a time that may travel in an offer"
        check_moment(at_ms or 0)


async def _read(data: bytes, charset: str) -> dict[str, object]:
    return await body_of(request_of(HEADS[charset], data))


def seeds() -> list[bytes]:
    """Return valid examples."""
    return [
        b'\0{"roll": "A012", "to": "/mnt/edit", "needed_by": "2026-03-14T19:00:00Z", "rank": 10}',
        b'\1{"code": "482913", "with": "process-1", "peer": "sha256:9f", "rush": true}',
        b"\1",
    ]


TARGET = Target(
    "board-body",
    one,
    seeds,
    prefix_bytes=1,
    tokens=(
        b"[" * 2000, b'{"a":' * 700, b"9" * 4400, b"\\ud800", b"\xff", b"null", b"1e999", b"NaN",
        b"-1",
        b"0001-01-01T00:00:00+23:59", b"9999-12-31T23:59:59-23:59", b"1960-01-01T00:00:00Z",
        b"\\u0000",
        b"2026-W11-6T00+00", b'"needed_by":', b'"rank":', b'"roll":',
    ),
    bytes_max=6000,
)  # fmt: skip
