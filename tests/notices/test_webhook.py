"""Webhooks, sent to real servers: good ones, and every kind of bad one."""

import asyncio
import base64
import hashlib
import hmac
import json
import logging
import os
import ssl
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from aiohttp import web

from syncd.board import certificate
from syncd.edges.clock import RealClock
from syncd.edges.disk import RealDisk
from syncd.journal.notices import NoticeRow
from syncd.notices.drop_file import DropFileSubscriber, file_name
from syncd.notices.subscriber import Outcome
from syncd.notices.webhook import Target, WebhookSubscriber, seconds_in
from syncd.notices.webhook_keys import webhook_keys
from tests.notices.test_signing import NOTICE, SECRET

PATH = "/mnt/array/rolls/2026-03-14_D12/A012"
Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]
Raw = Callable[[asyncio.StreamReader, asyncio.StreamWriter], Awaitable[None]]


@asynccontextmanager
async def receiver(handler: Handler, tls: ssl.SSLContext | None = None) -> AsyncIterator[str]:
    """Serve handler on a free port; give the URL."""
    runner = web.ServerRunner(web.Server(handler), shutdown_timeout=0.1)  # type: ignore[arg-type]
    await runner.setup()
    site = web.TCPSite(runner, "127.0.0.1", 0, ssl_context=tls)
    await site.start()
    host, port = runner.addresses[0][:2]
    try:
        yield f"{'http' if tls is None else 'https'}://{host}:{port}/hooks?key=hidden"
    finally:
        await runner.cleanup()


@asynccontextmanager
async def raw_receiver(talk: Raw) -> AsyncIterator[str]:
    """Serve bytes as talk writes them, after the head of the request."""

    async def serve(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            await reader.readuntil(b"\r\n\r\n")
            await talk(reader, writer)
        except (ConnectionError, asyncio.IncompleteReadError):
            pass  # the sender has left: that is what is tested
        finally:
            writer.close()

    server = await asyncio.start_server(serve, "127.0.0.1", 0)
    async with server:
        yield f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}/hooks"


async def send(url: str, *, timeout_s: float = 5.0, ca_file: Path | None = None) -> Outcome:
    """Make one attempt."""
    target = Target(url, None if ca_file is None else str(ca_file))
    webhook = WebhookSubscriber(
        "webhook-1",
        target,
        "process-1",
        lambda: webhook_keys(SECRET, None),
        RealClock(),
        timeout_s=timeout_s,
    )
    outcome = await webhook.deliver(NOTICE, PATH)
    assert "hidden" not in outcome.note, "the rest of a URL is not for a roll's history"
    assert SECRET not in outcome.note
    return outcome


def answering(status: int, **headers: str) -> Handler:
    """Make a receiver that says always the same."""

    async def handler(request: web.BaseRequest) -> web.Response:
        await request.read()
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        return web.Response(status=status, headers=named)

    return handler


async def test_what_arrives_is_signed_and_is_a_cloudevent() -> None:
    """Checked as a receiver does it, from the standard's text, not by our own code."""
    seen: list[tuple[str, dict[str, str], bytes]] = []

    async def take(request: web.BaseRequest) -> web.Response:
        seen.append((request.method, dict(request.headers), await request.read()))
        return web.Response(status=204)

    async with receiver(take) as url:
        first = await send(url)
        await send(url)

    assert first.delivered
    assert first.note.startswith("webhook 127.0.0.1:")
    assert first.note.endswith(" took it (204)")
    (method, headers, body), (_, again, _) = seen
    assert method == "POST"
    assert headers["Content-Type"] == "application/cloudevents+json; charset=utf-8"
    assert json.loads(body)["id"] == headers["webhook-id"] == again["webhook-id"] == "0123abcd-7"
    at_s = int(headers["webhook-timestamp"])
    assert abs(at_s - time.time()) < 60
    key = base64.b64decode(SECRET.removeprefix("whsec_"))
    signed = f"{headers['webhook-id']}.{at_s}.".encode() + body
    wanted = base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()
    assert headers["webhook-signature"] == f"v1,{wanted}"
    assert "Cookie" not in again


@pytest.mark.parametrize("status", [200, 201, 202, 204, 299])
async def test_two_hundreds_are_delivered(status: int) -> None:
    """And nothing else is."""
    async with receiver(answering(status)) as url:
        assert (await send(url)).delivered


@pytest.mark.parametrize("status", [400, 401, 404, 409, 413, 500, 502, 504])
async def test_what_is_no_success_is_tried_again(status: int) -> None:
    """Also what looks final: the receiver may be being mended."""
    async with receiver(answering(status)) as url:
        outcome = await send(url)
    assert (outcome.delivered, outcome.is_gone, outcome.least_wait_s) == (False, False, 0.0)
    assert outcome.note.endswith(f" answers {status}")


async def test_gone_is_for_good() -> None:
    """410: the receiver wants to hear no more."""
    async with receiver(answering(410)) as url:
        outcome = await send(url)
    assert (outcome.delivered, outcome.is_gone) == (False, True)


@pytest.mark.parametrize("status", [429, 503])
async def test_a_receiver_may_ask_for_time(status: int) -> None:
    """Retry-After, where it means something."""
    async with receiver(answering(status, Retry_After="120")) as url:
        assert (await send(url)).least_wait_s == 120.0
    async with receiver(answering(500, Retry_After="120")) as url:
        assert (await send(url)).least_wait_s == 0.0


@pytest.mark.parametrize(
    ("text", "wait_s"),
    [
        ("0", 0.0),
        (" 30 ", 30.0),
        ("9" * 400, 999_999_999.0),
        ("Sat, 14 Mar 2026 17:02:00 GMT", 120.0),
        ("Sat, 14 Mar 2026 16:00:00 GMT", 0.0),
        ("-5", 0.0),
        ("soon", 0.0),
        ("\u0663\u0660", 0.0),
        ("", 0.0),
        ("Sat, 99 Foo 999999 99:99:99 GMT", 0.0),
    ],
)
def test_retry_after_is_seconds_or_a_date(text: str, wait_s: float) -> None:
    """RFC 9110, 10.2.3; what is neither asks for nothing."""
    assert seconds_in(text, 1_773_507_600_000) == wait_s


@pytest.mark.parametrize("status", [301, 302, 303, 307, 308])
async def test_a_redirect_is_not_followed(status: int) -> None:
    """Neither is a metadata service of this machine asked, nor a signed body given to another."""
    asked: list[str] = []

    async def elsewhere(request: web.BaseRequest) -> web.Response:
        asked.append(request.path)
        return web.Response()

    async with (
        receiver(elsewhere) as other,
        receiver(answering(status, Location=other)) as url,
    ):
        outcome = await send(url)
    assert not outcome.delivered
    assert "not followed" in outcome.note
    assert asked == []


async def test_nobody_there_is_said(unused_tcp_port: int) -> None:
    """Refused, and a name that nobody has."""
    outcome = await send(f"http://127.0.0.1:{unused_tcp_port}/hooks?key=hidden")
    assert not outcome.delivered
    assert f"127.0.0.1:{unused_tcp_port} cannot be reached" in outcome.note
    outcome = await send("http://nobody.invalid/hooks?key=hidden")
    assert "nobody.invalid cannot be reached" in outcome.note


async def _silent(_: asyncio.StreamReader, __: asyncio.StreamWriter) -> None:
    await asyncio.sleep(30)


async def _dripping(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    writer.write(b"HTTP/1.1 200 OK\r\n")
    for number in range(1000):
        writer.write(b"X-%d: y\r\n" % number)
        await writer.drain()
        await asyncio.sleep(0.1)


async def _interim(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    while True:
        writer.write(b"HTTP/1.1 102 Processing\r\n\r\n")
        await writer.drain()
        await asyncio.sleep(0.01)


@pytest.mark.parametrize("talk", [_silent, _dripping, _interim])
async def test_a_receiver_that_never_comes_to_an_end_is_left(talk: Raw) -> None:
    """Silent, one header after the other, or always about to answer: the time limit holds."""
    async with raw_receiver(talk) as url:
        began_s = time.monotonic()
        outcome = await send(url, timeout_s=0.5)
    assert time.monotonic() - began_s < 3
    assert not outcome.delivered
    assert outcome.note.endswith("did not answer in 0.5 s")


async def test_a_body_without_end_is_not_read() -> None:
    """The status is the answer; of what follows a few buffers are taken, then nobody listens."""
    written = 0

    async def endless(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        nonlocal written
        writer.write(b"HTTP/1.1 200 OK\r\nContent-Length: 99999999999\r\n\r\n")
        while True:
            writer.write(b"x" * 65536)
            await writer.drain()
            written += 65536

    async with raw_receiver(endless) as url:
        outcome = await send(url)
        await asyncio.sleep(0.2)
    assert outcome.delivered
    assert written < 64 << 20


@pytest.mark.parametrize(
    "head",
    [
        b"not HTTP at all\r\n\r\n",
        b"HTTP/1.1 99999 X\r\n\r\n",
        b"HTTP/1.1 200 OK\r\n" + b"X: " + b"y" * 100_000 + b"\r\n\r\n",
        b"HTTP/1.1 200 OK\r\n" + b"".join(b"X-%d: y\r\n" % n for n in range(5000)) + b"\r\n",
        b"",
    ],
)
async def test_what_is_no_answer_is_no_success(head: bytes) -> None:
    """Garbage, a head without bounds, a connection that ends."""

    async def talk(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(head)
        await writer.drain()

    async with raw_receiver(talk) as url:
        outcome = await send(url)
    assert not outcome.delivered
    assert outcome.note


async def test_a_certificate_must_be_right(tmp_path: Path) -> None:
    """Self-signed is refused; with ca_file it is believed, for the names in it and no others."""
    tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    certificate.load_or_make(tmp_path, ["hooks.example", "127.0.0.1"], time.time_ns() // 1_000_000)
    pem = tmp_path / certificate.NAME
    tls.load_cert_chain(pem)
    # What a person would give as ca_file: the certificate alone.
    text = pem.read_text()
    public = tmp_path / "hooks.pem"
    public.write_text(text[text.index("-----BEGIN CERTIFICATE") :])

    async with receiver(answering(204), tls) as url:
        stranger = await send(url)
        known = await send(url, ca_file=public)
        misnamed = await send(url.replace("127.0.0.1", "localhost"), ca_file=public)
        plain = await send(url.replace("https", "http"))
        nowhere = await send(url, ca_file=tmp_path / "missing.pem")
    assert "certificate that cannot be trusted" in stranger.note
    assert known.delivered
    assert "certificate that cannot be trusted" in misnamed.note
    assert not plain.delivered
    assert "No such file" in nowhere.note


async def test_a_secret_is_read_anew_and_never_said(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """It can be replaced while syncd runs; one that others may read is not used."""
    caplog.set_level(logging.DEBUG)
    counts: list[int] = []

    async def take(request: web.BaseRequest) -> web.Response:
        await request.read()
        counts.append(len(request.headers["webhook-signature"].split(" ")))
        return web.Response()

    file = tmp_path / "webhook.secret"
    async with receiver(take) as url:
        webhook = WebhookSubscriber(
            "webhook-1",
            Target(url),
            "process-1",
            lambda: webhook_keys("", file),
            RealClock(),
        )
        notes = [(await webhook.deliver(NOTICE, PATH)).note]
        for text, mode in ((SECRET, 0o640), (f"whsec_{'QUFB' * 10}\n{SECRET}\n", 0o600)):
            file.write_text(text)
            file.chmod(mode)
            notes.append((await webhook.deliver(NOTICE, PATH)).note)
        file.chmod(0o644)
        notes.append((await webhook.deliver(NOTICE, PATH)).note)
        file.write_text("whsec_short")
        file.chmod(0o600)
        notes.append((await webhook.deliver(NOTICE, PATH)).note)
    assert counts == [1, 2]
    assert "No such file" in notes[0]
    assert "Other users may read" in notes[3]
    assert "is not base64" in notes[4]
    assert "MfKQ9r8" not in "".join(notes) + caplog.text
    assert "short" not in notes[4]


async def test_a_dropped_file_is_whole_and_the_same_at_a_repeat(tmp_path: Path) -> None:
    """Named by box, number and kind; nothing of a roll's name is in a file's."""
    disk = RealDisk()
    try:
        drop = DropFileSubscriber("drop-file-0", str(tmp_path), "process-1", disk)
        assert (await drop.deliver(NOTICE, PATH)).delivered
        first = (tmp_path / file_name(NOTICE, "process-1")).read_bytes()
        assert (await drop.deliver(NOTICE, PATH)).delivered
        missing = DropFileSubscriber("drop-file-0", str(tmp_path / "no"), "process-1", disk)
        outcome = await missing.deliver(NOTICE, PATH)
    finally:
        disk.close()
    (file,) = [Path(entry) for entry in os.scandir(tmp_path)]
    assert file.name == "process-1-0000000000000000007-well-again.json"
    assert file.read_bytes() == first
    found = json.loads(first)
    assert (found["id"], found["path"]) == ("0123abcd-7", PATH)
    assert not outcome.delivered
    assert "No such file" in outcome.note


def test_dropped_files_sort_as_things_happened() -> None:
    """By number, also from the tenth on."""
    rows = [NoticeRow(n, f"j-{n}", None, "ready", 0, {}) for n in (9, 10, 1_764_000_000)]
    names = [file_name(row, "process-1") for row in rows]
    assert names == sorted(names)
