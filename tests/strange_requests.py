"""Requests that the HTTP library refuses by itself, and what may be said of them."""

import asyncio
import logging
import ssl

import pytest

UNREAD = {
    "long-header": b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: " + b"a" * 9000 + b"\r\n\r\n",
    "long-path": b"GET /" + b"a" * 9000 + b" HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n",
    "many-headers": b"GET / HTTP/1.1\r\nHost: x\r\n" + b"A: b\r\n" * 9000 + b"\r\n",
    "bad-header": b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nno colon\r\n\r\n",
    "bad-method": b"\x16\x03\x01\x02\x00\x01\x00\r\n\r\n",
    "bad-version": b"GET / HTTP/9.x\r\n\r\n",
    "two-lengths": b"POST / HTTP/1.1\r\nContent-Length: 1\r\nContent-Length: 2\r\n\r\nab",
    "bad-chunk": b"POST /peer/hello HTTP/1.1\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
}


async def answer_to(
    data: bytes, port: int, tls: ssl.SSLContext | None = None
) -> tuple[bytes, bytes]:
    """Return head and body of what is answered before the connection ends."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port, ssl=tls)
    try:
        writer.write(data)
        async with asyncio.timeout(20):
            said = await reader.read()
    finally:
        writer.close()
        await asyncio.gather(writer.wait_closed(), return_exceptions=True)
    head, _, body = said.partition(b"\r\n\r\n")
    return head, body


def check_discreet(head: bytes, body: bytes, caplog: pytest.LogCaptureFixture) -> None:
    """Check that a refusal names no version and none of the parser's words; no traceback either."""
    lines = head.split(b"\r\n")
    assert lines[0].startswith(b"HTTP/1."), head
    assert [line for line in lines if line.lower().startswith(b"server:")] == [b"Server: syncd"]
    for word in (b"Python", b"aiohttp", b"Got more", b"Invalid", b"Bad status", b"\n  "):
        assert word not in head + body
    records = [record for record in caplog.records if record.levelno > logging.DEBUG]
    assert not [record for record in records if record.exc_info]
    assert all(len(record.getMessage()) < 120 for record in records)
