"""The control plane over real TLS on loopback: who gets an answer, and what the others hear."""

import asyncio
import gc
import io
import logging
import re
import socket
import ssl
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

from syncd import __version__
from syncd.errors import (
    ConfigError,
    HeldError,
    PeerRefusedError,
    PeerUnreachableError,
    RollUnknownError,
    UnfitError,
)
from syncd.limits import CONTROL_BODY_BYTES_MAX
from syncd.roll.inventory import Trust
from syncd.roll.stages import HeldCode
from syncd.wire import control_client, dial
from syncd.wire.authority import NotAllowedError
from syncd.wire.control_client import PeerClient
from syncd.wire.control_server import ControlServer
from syncd.wire.gate import (
    STRANGER_CERTIFICATES_TOLD_MAX,
    STRANGER_LINE_EVERY_S,
    STRANGER_LINES_BURST,
    StrangerLog,
)
from syncd.wire.identity import Identity
from syncd.wire.messages import (
    QUESTION_NAMES,
    Done,
    FetchedReport,
    Hello,
    HelloAnswer,
    Listing,
    ListingAnswer,
    Message,
    Offer,
    PeerIdentity,
    Refusal,
    Tidings,
    TidingsAnswer,
    pack,
    unpack,
)
from syncd.wire.peers import ALL_ROLES, Address, PeerBook, TrustedPeer
from tests.strange_requests import UNREAD, answer_to, check_discreet
from tests.wire.conftest import WallClock

pytestmark = pytest.mark.usefixtures("nothing_left")

MakeIdentity = Callable[..., Identity]
TOO_LARGE = b"\x00" * (CONTROL_BODY_BYTES_MAX + 1)
HELLO = Hello(node="offload-1", roles=("offload",), version="0.1.0", utc_ms=1)
ANSWER = HelloAnswer(
    node="process-1", roles=("processing",), version="0.1.0", utc_ms=2, bulk_port=8841
)


class TestDesk:
    """Answers greetings, and keeps what it was asked and by whom."""

    __test__ = False

    def __init__(self) -> None:
        self.asked: list[tuple[PeerIdentity, Message]] = []
        self.raises: Exception | None = None
        self.refuses: PeerRefusedError | None = None
        self.unfit: list[tuple[str, str, UnfitError]] = []
        self.waiting = asyncio.Event()

    async def check(self, peer: PeerIdentity, kind: type[Message]) -> None:  # noqa: ARG002
        if self.refuses is not None:
            raise self.refuses

    async def note_unfit(self, peer: PeerIdentity, asked: str, error: UnfitError) -> None:
        self.unfit.append((peer.name, asked, error))

    async def answer(self, peer: PeerIdentity, question: Any) -> Any:
        self.asked.append((peer, question))
        if self.raises is not None:
            raise self.raises
        match question:
            case Hello():
                return ANSWER
            case Tidings():
                self.waiting.set()
                await asyncio.sleep(question.wait_s)
                return TidingsAnswer(journal_id="j")
            case Listing():
                await asyncio.sleep(60)
                return ListingAnswer()
        return Done()


class Pair:
    """The box process-1 with a control server, and clients of offload-1 or of others."""

    def __init__(self, make_identity: MakeIdentity, clock: WallClock) -> None:
        self.make_identity = make_identity
        self.clock = clock
        self.asking = make_identity("offload-1")
        self.answering = make_identity("process-1")
        self.desk = TestDesk()
        self.book = PeerBook(
            self.answering.fingerprint, [TrustedPeer("offload-1", self.asking.fingerprint)]
        )
        self.port = 0

    @asynccontextmanager
    async def serving(self) -> AsyncIterator[ControlServer]:
        """Run the server on a free port of loopback."""
        async with ControlServer(
            "127.0.0.1",
            0,
            identity=self.answering,
            book=self.book,
            desk=self.desk,
            clock=self.clock,
        ) as server:
            self.port = server.port
            yield server

    @asynccontextmanager
    async def client(
        self,
        identity: Identity | None = None,
        *,
        expects: str | None = None,
        at: Sequence[Address] = (),
        heard: Callable[[int], None] | None = None,
    ) -> AsyncIterator[PeerClient]:
        """Run a client: of offload-1 expecting process-1, unless told otherwise."""
        client = PeerClient(
            "process-1",
            lambda: at or [("127.0.0.1", self.port)],
            identity or self.asking,
            expects or self.answering.fingerprint,
            self.clock,
            heard=heard,
        )
        try:
            yield client
        finally:
            await client.close()

    async def post(self, path: str, **how: Any) -> tuple[int, bytes]:
        """Post by hand, with offload-1's certificate, past our own client."""
        connector = aiohttp.TCPConnector(ssl=self.asking.client_context())
        async with (
            aiohttp.ClientSession(connector=connector) as session,
            session.request(
                how.pop("method", "POST"), f"https://127.0.0.1:{self.port}{path}", **how
            ) as reply,
        ):
            return reply.status, await reply.read()


@pytest.fixture
async def pair(make_identity: MakeIdentity, clock: WallClock) -> AsyncIterator[Pair]:
    """Return the two boxes, and look for sockets nobody closed afterwards."""
    yield Pair(make_identity, clock)
    gc.collect()


@asynccontextmanager
async def silent_server() -> AsyncIterator[int]:
    """Accept connections and never say a word, as a stalled box does."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        yield listening.getsockname()[1]


# Paired boxes


async def test_a_paired_box_gets_its_answer(pair: Pair) -> None:
    """The desk hears who asks, by the config's name, and the answer comes back whole."""
    heard: list[int] = []
    async with pair.serving(), pair.client(heard=heard.append) as client:
        assert await client.ask(HELLO) == ANSWER
        assert client.address == ("127.0.0.1", pair.port)

    peer = PeerIdentity("offload-1", pair.asking.fingerprint, "127.0.0.1", ALL_ROLES)
    assert pair.desk.asked == [(peer, HELLO)]
    assert len(heard) == 1
    assert pair.book.listing(pair.clock.utc_ms())[0]["present"] is True


async def test_questions_share_connections(pair: Pair) -> None:
    """Fifty greetings in a row need one handshake."""
    dials = 0

    async with pair.serving(), pair.client() as client:
        real = client._greeting.connector._create_connection

        async def counted(*args: Any) -> Any:
            nonlocal dials
            dials += 1
            return await real(*args)

        client._greeting.connector._create_connection = counted  # type: ignore[method-assign, assignment]
        for _ in range(50):
            await client.ask(HELLO)

    assert dials == 1


async def test_a_long_poll_may_outlast_the_heartbeat(pair: Pair) -> None:
    """While one question waits for tidings, others are answered."""
    async with pair.serving(), pair.client() as client, asyncio.TaskGroup() as group:
        poll = group.create_task(client.ask(Tidings(after=0, wait_s=0.3)))
        await pair.desk.waiting.wait()
        assert await client.ask(HELLO) == ANSWER
        assert not poll.done()
    assert poll.result() == TidingsAnswer(journal_id="j")
    assert control_client.answer_limit_s(Tidings(after=0, wait_s=15.0)) > 15.0


async def test_a_refusal_arrives_with_its_remedy(pair: Pair) -> None:
    """What the desk raises is what the asking side raises, as a refusal."""
    async with pair.serving(), pair.client() as client:
        for error in (
            RollUnknownError("No such roll.", remedy="List the rolls."),
            HeldError(HeldCode.NAME_TAKEN, "Taken: clip\udcff.", remedy="List the rolls."),
        ):
            pair.desk.raises = error
            with pytest.raises(PeerRefusedError, match="List the rolls") as refused:
                await client.ask(HELLO)
            assert refused.value.remedy == "List the rolls."
        assert client.address is not None, "a refusal is a reply: the peer is there"


async def test_a_mistake_in_the_desk_is_worth_another_try(
    pair: Pair, caplog: pytest.LogCaptureFixture
) -> None:
    """The daemon lives on, logs the traceback, and answers the next question."""
    async with pair.serving(), pair.client() as client:
        pair.desk.raises = KeyError("a bug")
        with pytest.raises(PeerUnreachableError, match="status 500"):
            await client.ask(HELLO)
        pair.desk.raises = None
        assert await client.ask(HELLO) == ANSWER
    assert "a bug" in caplog.text


async def test_a_question_that_a_peer_may_not_ask_is_refused_before_it_is_read(pair: Pair) -> None:
    """From its head alone: not one byte of the body is waited for."""
    pair.desk.refuses = NotAllowedError("Not for edit-1.", remedy="Pair it anew.")
    context = pair.asking.client_context()
    async with pair.serving(), pair.client() as client, asyncio.timeout(5):
        reader, writer = await asyncio.open_connection("127.0.0.1", pair.port, ssl=context)
        writer.write(b"POST /peer/offer HTTP/1.1\r\nHost: x\r\nContent-Length: 1000000\r\n\r\n")
        head = await reader.readuntil(b"\r\n\r\n")
        assert head.startswith(b"HTTP/1.1 403 ")
        refusal = unpack(Refusal, await reader.readexactly(_length(head)))
        writer.close()
        await asyncio.gather(writer.wait_closed(), return_exceptions=True)
        assert (refusal.code, refusal.remedy) == ("not-allowed", "Pair it anew.")
        with pytest.raises(PeerRefusedError, match="Not for edit-1"):
            await client.ask(HELLO)
    assert pair.desk.asked == []


def _length(head: bytes) -> int:
    (found,) = re.findall(rb"(?i)content-length: (\d+)", head)
    return int(found)


# Strangers


async def test_a_stranger_hears_what_to_do_and_the_desk_hears_nothing(
    pair: Pair, caplog: pytest.LogCaptureFixture
) -> None:
    """A syncd that is not paired is told which fingerprint to add where; one log line says so."""
    stranger = pair.make_identity("edit-1")
    async with pair.serving(), pair.client(stranger) as client:
        for _ in range(3):
            with pytest.raises(PeerRefusedError, match="not know") as refused:
                await client.ask(HELLO)
            assert stranger.fingerprint in str(refused.value)

    assert pair.desk.asked == []
    assert caplog.text.count("Turned away") == 1
    assert stranger.fingerprint in caplog.text


async def test_a_box_that_is_unpaired_while_connected_is_refused_at_once(pair: Pair) -> None:
    """Trust is looked up at every question, not only at the handshake."""
    async with pair.serving(), pair.client() as client:
        await client.ask(HELLO)
        pair.book.forget(pair.asking.fingerprint)
        with pytest.raises(PeerRefusedError, match="Pair the two boxes"):
            await client.ask(HELLO)


async def test_a_stranger_that_says_nothing_is_cut(
    pair: Pair, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It cannot hold a connection by waiting, nor reach the HTTP parser with rubbish."""
    monkeypatch.setattr("syncd.wire.gate.STRANGER_PATIENCE_S", 0.05)
    context = pair.make_identity("edit-1").client_context()
    async with pair.serving():
        for said in (b"", b"\x00rubbish\r\n\r\n"):
            reader, writer = await asyncio.open_connection("127.0.0.1", pair.port, ssl=context)
            writer.write(said)
            try:
                received = await reader.read()
            except ConnectionError:
                received = b""
            assert received == b"" if not said else received.startswith(b"HTTP/1.1 403 ")
            writer.close()
            await asyncio.gather(writer.wait_closed(), return_exceptions=True)
    assert pair.desk.asked == []


class Stopped(WallClock):
    """A clock that stands until it is moved."""

    now_s = 0.0

    def monotonic_s(self) -> float:
        return self.now_s


def turned_away(caplog: pytest.LogCaptureFixture, host: str) -> int:
    """Return how many lines tell of a host."""
    return sum(f"Turned away {host}," in record.message for record in caplog.records)


def test_a_host_with_very_many_certificates_hides_no_other_and_fills_no_log(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A day of it, a new one each second: some lines. Another host has its own at once."""
    clock = Stopped()
    strangers = StrangerLog(clock)
    with caplog.at_level(logging.WARNING):
        for number in range(86_400):
            clock.now_s += 1
            strangers.note(f"sha256:{number:064x}", "10.20.0.9")
            if number == 4_000:
                strangers.note(f"sha256:{'a' * 64}", "10.20.0.3")
    assert turned_away(caplog, "10.20.0.3") == 1
    # The first certificates, after 1, 5 and 21 minutes, then every hour.
    assert turned_away(caplog, "10.20.0.9") <= STRANGER_CERTIFICATES_TOLD_MAX + 3 + 24
    assert "tries)" in caplog.records[-1].message


def test_all_hosts_of_a_network_are_told_of_and_the_lines_have_an_end(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """254 of them with many certificates each; then as many addresses as IPv6 has on one link."""
    clock = Stopped()
    strangers = StrangerLog(clock)
    with caplog.at_level(logging.WARNING):
        for number in range(254 * 10):
            strangers.note(f"sha256:{number:064x}", f"10.20.0.{number % 254 + 1}")
        assert len(caplog.records) == 254 * STRANGER_CERTIFICATES_TOLD_MAX
        strangers.note(f"sha256:{'a' * 64}", "10.20.1.3")
        assert turned_away(caplog, "10.20.1.3") == 1
        for number in range(20_000):
            strangers.note(f"sha256:{number:064x}", f"fe80::{number:x}")
        assert len(caplog.records) == STRANGER_LINES_BURST
        clock.now_s += STRANGER_LINE_EVERY_S
        for number in range(2):
            strangers.note(f"sha256:{number:064x}", f"10.20.2.{number + 1}")
    said = [record.message for record in caplog.records[STRANGER_LINES_BURST:]]
    assert len(said) == 2
    assert "10.20.2.1" in said[0]
    assert "No line tells of" in said[1]


# Certificates of four kinds


async def test_without_a_certificate_there_is_no_conversation(pair: Pair) -> None:
    """A TLS client that shows none is turned away by the handshake."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    async with pair.serving():
        with pytest.raises(aiohttp.ClientError):
            await _post_with(context, pair.port)
    assert pair.desk.asked == []


async def test_a_certificate_of_another_issuer_gets_no_conversation(
    pair: Pair, tmp_path: Path
) -> None:
    """A self-signed certificate, fine elsewhere, ends the handshake on either side."""
    certificate, key = self_signed(tmp_path)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    context.load_cert_chain(certificate, key)
    async with pair.serving():
        with pytest.raises(aiohttp.ClientError):
            await _post_with(context, pair.port)
    assert pair.desk.asked == []

    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    serving.load_cert_chain(certificate, key)
    foreign = await asyncio.start_server(lambda _r, w: w.close(), "127.0.0.1", 0, ssl=serving)
    async with foreign, pair.client(at=[foreign.sockets[0].getsockname()[:2]]) as client:
        with pytest.raises(PeerUnreachableError, match="certificate that no syncd made") as caught:
            await client.ask(HELLO)
    assert "clock" not in str(caught.value)


async def test_whoever_shows_no_certificate_of_a_syncd_is_logged_a_few_times(
    pair: Pair, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """None, or one of his own: where he is, and once, however often he comes."""
    bare = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    bare.check_hostname = False
    bare.verify_mode = ssl.CERT_NONE
    own = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    own.check_hostname = False
    own.verify_mode = ssl.CERT_NONE
    own.load_cert_chain(*self_signed(tmp_path))
    for context in (bare, own):
        caplog.clear()
        async with pair.serving():
            for _ in range(10):
                with pytest.raises(aiohttp.ClientError):
                    await _post_with(context, pair.port)
        said = [each.message for each in caplog.records if "turned away" in each.message]
        assert len(said) == 1
        assert "127.0.0.1, whose TLS is not a syncd's" in said[0]
    assert pair.desk.asked == []


async def test_an_expired_certificate_is_refused_by_either_side(pair: Pair) -> None:
    """Eleven years after its pairing a box must be paired anew; the error mentions the clocks."""
    expired = pair.make_identity("old-1", days_old=11 * 365)
    pair.book.trust(TrustedPeer("old-1", expired.fingerprint))
    async with pair.serving(), pair.client(expired) as client:
        with pytest.raises(PeerUnreachableError, match="clock"):
            await client.ask(HELLO)
    assert pair.desk.asked == []

    pair.answering = expired
    async with pair.serving(), pair.client() as client:
        with pytest.raises(PeerUnreachableError, match=r"certificate that has ended.*clocks"):
            await client.ask(HELLO)


async def test_another_box_at_the_address_is_named_by_both_fingerprints(pair: Pair) -> None:
    """The wrong certificate is found before a byte of the question has left."""
    expected = pair.make_identity("process-2").fingerprint
    async with pair.serving(), pair.client(expects=expected) as client:
        with pytest.raises(PeerRefusedError) as refused:
            await client.ask(HELLO)
    assert expected in str(refused.value)
    assert pair.answering.fingerprint in str(refused.value)
    assert pair.desk.asked == []


async def _post_with(context: ssl.SSLContext, port: int) -> None:
    connector = aiohttp.TCPConnector(ssl=context)
    async with aiohttp.ClientSession(connector=connector) as session:
        await session.post(f"https://127.0.0.1:{port}/peer/hello", data=pack(HELLO))


def self_signed(folder: Path) -> tuple[Path, Path]:
    """Make a certificate as any other program would."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "elsewhere")])
    now = datetime.now(UTC)
    certificate = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(7)
        .not_valid_before(now - timedelta(days=1))
        .not_valid_after(now + timedelta(days=1))
        .sign(key, hashes.SHA256())
    )
    certificate_path, key_path = folder / "foreign.crt", folder / "foreign.key"
    certificate_path.write_bytes(certificate.public_bytes(serialization.Encoding.PEM))
    key_path.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return certificate_path, key_path


# Addresses and time


async def test_all_addresses_are_tried_at_once_and_the_right_one_is_kept(
    pair: Pair,
) -> None:
    """A dead, a silent and a wrong address cost nothing as long as one leads to the peer."""
    other = Pair(pair.make_identity, pair.clock)
    other.answering = pair.make_identity("edit-1")
    async with silent_server() as silent, other.serving(), pair.serving():
        places = [
            ("127.0.0.1", silent),
            ("127.0.0.1", other.port),
            ("127.0.0.1", 1),
            ("127.0.0.1", pair.port),
        ]
        async with pair.client(at=places) as client:
            started_s = time.monotonic()
            assert await client.ask(HELLO) == ANSWER
            assert time.monotonic() - started_s < 2.0
            assert client.address == ("127.0.0.1", pair.port)


async def test_when_no_address_answers_each_is_named(pair: Pair) -> None:
    """The error lists every address with what happened there."""
    async with pair.client(at=[("127.0.0.1", 1), ("127.0.0.1", 2)]) as client:
        with pytest.raises(PeerUnreachableError, match=r"none of its 2 addresses.*:1.*:2"):
            await client.ask(HELLO)


async def test_a_peer_without_any_address_says_so(pair: Pair) -> None:
    """Nothing discovered and nothing typed is an error with a remedy, not a crash."""
    client = PeerClient("process-1", list, pair.asking, pair.answering.fingerprint, pair.clock)
    with pytest.raises(PeerUnreachableError, match="No address of process-1 is known"):
        await client.ask(HELLO)
    await client.close()


async def test_a_box_that_accepts_and_never_speaks_is_unreachable_in_time(
    pair: Pair, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A handshake that does not come is not waited for."""
    monkeypatch.setattr(dial, "HANDSHAKE_TIMEOUT_S", 0.2)
    async with silent_server() as port, pair.client(at=[("127.0.0.1", port)]) as client:
        started_s = time.monotonic()
        with pytest.raises(PeerUnreachableError, match=f"127.0.0.1:{port}"):
            await client.ask(HELLO)
        assert time.monotonic() - started_s < 2.0


async def test_a_desk_that_stalls_is_unreachable_in_time(
    pair: Pair, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The answer's time limit holds after the connection stands, and the next question works."""
    monkeypatch.setattr(control_client, "ANSWER_TIMEOUT_S", 0.2)
    async with pair.serving(), pair.client() as client:
        await client.ask(HELLO)
        with pytest.raises(PeerUnreachableError, match=r"process-1 at 127\.0\.0\.1"):
            await client.ask(Listing())
        assert await client.ask(HELLO) == ANSWER


async def test_a_restarted_box_is_found_again_at_its_new_port(pair: Pair) -> None:
    """Old connections fail once; addresses are asked for anew."""
    async with pair.client() as client:
        async with pair.serving():
            await client.ask(HELLO)
        with pytest.raises(PeerUnreachableError):
            await client.ask(HELLO)
        async with pair.serving():
            assert await client.ask(HELLO) == ANSWER


async def test_closing_the_server_ends_a_long_poll_at_once(pair: Pair) -> None:
    """SIGTERM does not wait for somebody's patience; it is told as what it is, without alarm."""
    async with pair.client() as client:
        async with pair.serving():
            poll = asyncio.create_task(client.ask(Tidings(after=0, wait_s=30.0)))
            await pair.desk.waiting.wait()
            await client.ask(HELLO)
            started_s = time.monotonic()
        assert time.monotonic() - started_s < 1.5
        with pytest.raises(PeerUnreachableError) as raised:
            await poll
    assert "ended the connection" in raised.value.problem
    assert "fingerprint" not in raised.value.remedy


async def test_closing_the_client_ends_its_questions(pair: Pair) -> None:
    """A question in flight ends with an error instead of hanging."""
    async with pair.serving():
        async with pair.client() as client:
            poll = asyncio.create_task(client.ask(Tidings(after=0, wait_s=30.0)))
            await pair.desk.waiting.wait()
        with pytest.raises(PeerUnreachableError):
            await poll


# Malformed questions from a paired box


@pytest.mark.parametrize(
    ("path", "how", "status", "code"),
    [
        (
            "/peer/hello",
            {"data": io.BytesIO(TOO_LARGE)},
            413,
            "too-large",
        ),
        ("/peer/hello", {"data": b"\x00" * CONTROL_BODY_BYTES_MAX}, 400, "bad-message"),
        ("/peer/hello", {"data": b"\x81\xa4node\x01"}, 400, "bad-message"),
        (
            "/peer/hello",
            {"data": pack(HELLO), "headers": {"Content-Encoding": "gzip"}},
            415,
            "encoding",
        ),
        ("/peer/good-bye", {"data": pack(HELLO)}, 404, "unknown-question"),
        ("/hello", {"data": pack(HELLO)}, 404, "unknown-question"),
        ("/peer/hello", {"method": "GET"}, 405, "method"),
    ],
)
async def test_a_malformed_question_is_refused_by_what_is_wrong(
    pair: Pair, path: str, how: dict[str, Any], status: int, code: str
) -> None:
    """Each gets its HTTP status and a Refusal in msgpack; the desk is not asked."""
    async with pair.serving():
        got, body = await pair.post(path, **how)

    refusal = unpack(Refusal, body)
    assert (got, refusal.code) == (status, code)
    assert pair.desk.asked == []
    assert f"process-1 has syncd {__version__}" in refusal.remedy, "what to compare with"
    ((peer, asked, error),) = pair.desk.unfit
    assert (peer, asked) == ("offload-1", "nothing" if status == 404 else "hello")
    assert (error.problem, error.remedy) == (refusal.message, refusal.remedy)
    assert path.removeprefix("/peer/") in error.problem
    assert error.problem.isprintable()


async def test_an_offer_that_no_body_can_hold_says_of_which_it_has_too_many(pair: Pair) -> None:
    """Empty folders are named in the offer itself; the roll is refused, and nothing breaks."""
    folders = tuple(f"Clips/{number:0200}" for number in range(6_000))
    offer = Offer(
        roll_id="ab" * 16,
        day="2026-03-14_D12",
        name="A012",
        trust=Trust.EVIDENCE,
        file_count=1,
        total_bytes=1,
        parcel_count=1,
        empty_folders=folders,
    )
    async with pair.serving(), pair.client() as client:
        with pytest.raises(PeerRefusedError, match="offer, which may have 1 MiB") as refused:
            await client.ask(offer)
    assert "empty folder" in refused.value.remedy


async def test_a_refusal_of_the_peer_keeps_what_it_says_to_do(
    pair: Pair, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What an older or newer box does not know is told with both versions to compare."""
    monkeypatch.setitem(QUESTION_NAMES, Hello, "good-bye")
    async with pair.serving(), pair.client() as client:
        with pytest.raises(PeerRefusedError, match="no question /peer/good-bye here") as refused:
            await client.ask(HELLO)
    assert "`syncd --version`" in refused.value.remedy


@pytest.mark.parametrize("name", UNREAD)
async def test_what_is_not_read_is_refused_in_our_words(
    pair: Pair, name: str, caplog: pytest.LogCaptureFixture
) -> None:
    """A peer hears no version of the server and none of the parser's words; the log one line."""
    async with pair.serving():
        head, body = await answer_to(UNREAD[name], pair.port, pair.asking.client_context())

    check_discreet(head, body, caplog)
    assert head.split()[1] == b"400"
    assert unpack(Refusal, body).code == "unreadable"
    assert len(caplog.messages) == 1


async def test_a_body_that_does_not_come_is_not_waited_for(
    pair: Pair, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Half a body gets 408 after the limit."""
    monkeypatch.setattr("syncd.wire.control_server.BODY_TIMEOUT_S", 0.1)
    context = pair.asking.client_context()
    async with pair.serving():
        reader, writer = await asyncio.open_connection("127.0.0.1", pair.port, ssl=context)
        writer.write(b"POST /peer/hello HTTP/1.1\r\nHost: x\r\nContent-Length: 100\r\n\r\nhalf")
        assert (await reader.readline()).startswith(b"HTTP/1.1 408 ")
        writer.close()
        await asyncio.gather(writer.wait_closed(), return_exceptions=True)


async def test_a_port_in_use_names_the_option_to_change(pair: Pair) -> None:
    """The error says address and key."""
    async with pair.serving() as server:
        second = ControlServer(
            "127.0.0.1",
            server.port,
            identity=pair.answering,
            book=pair.book,
            desk=pair.desk,
            clock=pair.clock,
        )
        expected = re.escape(f"127.0.0.1:{server.port}") + r".*control in \[node\]"
        with pytest.raises(ConfigError, match=expected):
            await second.__aenter__()


async def test_a_report_is_done_even_if_the_asker_has_left(pair: Pair) -> None:
    """Handlers are not cancelled: what was asked is finished on the answering side."""
    finished = asyncio.Event()

    class SlowDesk(TestDesk):
        async def answer(self, peer: PeerIdentity, question: Any) -> Any:  # noqa: ARG002
            self.waiting.set()
            await asyncio.sleep(0.1)
            finished.set()
            return Done()

    pair.desk = SlowDesk()
    async with pair.serving():
        async with pair.client() as client:
            report = FetchedReport(roll_id="0" * 32, digest_check="xxh64")
            asking = asyncio.create_task(client.ask(report))
            await pair.desk.waiting.wait()
            asking.cancel()
            await asyncio.gather(asking, return_exceptions=True)
        async with asyncio.timeout(2):
            await finished.wait()
