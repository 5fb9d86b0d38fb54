"""Certificates as a weapon, over real TLS: whose they are, when, of whom, in which protocol.

Each attack is tried on the box that is called and, where it can be, on the box that calls.
Strangers, foreign issuers, no certificate and expired ones are in test_control.py.
"""

import asyncio
import socket
import ssl
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

from syncd.errors import PeerRefusedError, PeerUnreachableError
from syncd.wire import identity as identities
from syncd.wire.dial import WrongCertificateError
from syncd.wire.fingerprints import fingerprint_of
from syncd.wire.identity import Identity, node_certificate, public_issuer
from syncd.wire.messages import pack
from syncd.wire.peers import TrustedPeer
from tests.wire.conftest import WallClock
from tests.wire.test_control import ANSWER, HELLO, MakeIdentity, Pair

pytestmark = pytest.mark.usefixtures("nothing_left")

PEM = serialization.Encoding.PEM
QUESTION = pack(HELLO)
REQUEST = (
    b"POST /peer/hello HTTP/1.1\r\nHost: x\r\nContent-Type: application/msgpack\r\n"
    b"Content-Length: %d\r\n\r\n%b" % (len(QUESTION), QUESTION)
)
TURNED_AWAY = b"HTTP/1.1 403 "


@pytest.fixture
def pair(make_identity: MakeIdentity, clock: WallClock) -> Pair:
    """Return process-1, which is called, and offload-1, which it trusts."""
    return Pair(make_identity, clock)


def context_of(folder: Path, key: Ed25519PrivateKey, *chain: x509.Certificate) -> ssl.SSLContext:
    """Return a caller's context that shows this chain and believes whoever answers."""
    folder.mkdir(exist_ok=True)
    private = key.private_bytes(
        PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    (folder / "key").write_bytes(private)
    (folder / "chain").write_bytes(b"".join(each.public_bytes(PEM) for each in chain))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    context.load_cert_chain(folder / "chain", folder / "key")
    return context


def call(
    port: int, context: ssl.SSLContext, session: ssl.SSLSession | None = None
) -> tuple[bytes, ssl.SSLSession | None, bool]:
    """Ask by hand; return the answer, the session that could be resumed, and whether one was.

    The answer is empty where the handshake fails or nothing comes. Blocks.
    """
    with socket.create_connection(("127.0.0.1", port), timeout=5) as plain:
        try:
            with context.wrap_socket(plain, session=session) as tls:
                tls.sendall(REQUEST)
                answer = tls.recv(65536)
                return answer, tls.session, bool(tls.session_reused)
        except (ssl.SSLError, ConnectionError):
            return b"", None, False


async def called(pair: Pair, context: ssl.SSLContext) -> bytes:
    """Call process-1 with this context; return what it answered."""
    async with pair.serving():
        answer, _, _ = await asyncio.to_thread(call, pair.port, context)
    return answer


@asynccontextmanager
async def answering_with(context: ssl.SSLContext) -> AsyncIterator[tuple[int, list[bytes]]]:
    """Answer calls with a context of the attacker's; yield port and what callers then said."""
    heard: list[bytes] = []

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            if said := await reader.read(65536):
                heard.append(said)
        except (ssl.SSLError, ConnectionError):
            return
        finally:
            writer.close()

    server = await asyncio.start_server(answer, "127.0.0.1", 0, ssl=context)
    async with server:
        yield server.sockets[0].getsockname()[1], heard


async def refused_as_caller(
    pair: Pair, context: ssl.SSLContext, error: type[Exception], match: str
) -> None:
    """Let offload-1 call somebody who shows this; not a byte of its question may leave."""
    async with (
        answering_with(context) as (port, heard),
        pair.client(at=[("127.0.0.1", port)]) as client,
    ):
        with pytest.raises(error, match=match):
            await client.ask(HELLO)
        await asyncio.sleep(0)
    assert heard == []


def _key_of(identity: Identity) -> Ed25519PrivateKey:
    key = serialization.load_pem_private_key(identity.key_path.read_bytes(), None)
    assert isinstance(key, Ed25519PrivateKey)
    return key


def _certificate_of(identity: Identity) -> x509.Certificate:
    return x509.load_pem_x509_certificate(identity.certificate_path.read_bytes())


# Somebody else's


async def test_the_right_name_with_another_key_is_a_stranger(
    pair: Pair, tmp_path: Path, clock: WallClock
) -> None:
    """Anyone can make a certificate of any name, signed by the published issuer."""
    copied = Identity.load_or_make(tmp_path / "forged", "offload-1", clock.utc_ms())
    async with pair.serving(), pair.client(copied) as client:
        with pytest.raises(PeerRefusedError, match="does not know the certificate"):
            await client.ask(HELLO)
    assert pair.desk.asked == []

    forged = Identity.load_or_make(tmp_path / "forged-1", "process-1", clock.utc_ms())
    await refused_as_caller(pair, forged.server_context(), WrongCertificateError, "is not")


async def test_a_peers_certificate_behind_ones_own_is_not_its_key(
    pair: Pair, tmp_path: Path
) -> None:
    """What counts is the certificate whose key signed the handshake, not others shown with it."""
    key = Ed25519PrivateKey.generate()
    own = node_certificate("offload-1", key.public_key(), datetime.now(UTC))
    context = context_of(tmp_path / "made", key, own, _certificate_of(pair.asking))
    answer = await called(pair, context)
    assert answer.startswith(TURNED_AWAY)
    assert fingerprint_of(own.public_bytes(serialization.Encoding.DER)).encode() in answer
    assert pair.desk.asked == []


async def test_a_peers_key_vouches_for_nobody_else(pair: Pair, tmp_path: Path) -> None:
    """A paired box that makes certificates for others gets them no conversation."""
    key = Ed25519PrivateKey.generate()
    trusted = _certificate_of(pair.asking)
    vouched = (
        x509.CertificateBuilder()
        .subject_name(x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "edit-1")]))
        .issuer_name(trusted.subject)
        .public_key(key.public_key())
        .serial_number(7)
        .not_valid_before(trusted.not_valid_before_utc)
        .not_valid_after(trusted.not_valid_after_utc)
        .sign(_key_of(pair.asking), None)
    )
    assert await called(pair, context_of(tmp_path / "made", key, vouched, trusted)) == b""
    assert pair.desk.asked == []


async def test_paired_boxes_at_each_others_addresses_are_not_mixed_up(pair: Pair) -> None:
    """Both are trusted; the one that answers is still not the one that was called."""
    other = pair.make_identity("process-2")
    pair.book.trust(TrustedPeer("process-2", other.fingerprint))
    await refused_as_caller(pair, other.server_context(), WrongCertificateError, "is not process-1")

    async with pair.serving(), pair.client(other) as client:
        assert await client.ask(HELLO) == ANSWER  # which says that it is of offload-1
    ((peer, _),) = pair.desk.asked
    assert (peer.name, peer.fingerprint) == ("process-2", other.fingerprint)


async def test_the_published_issuer_itself_is_nobody(pair: Pair, tmp_path: Path) -> None:
    """Its key is known to everybody; it makes certificates, and is none of a box."""
    issuer, key = public_issuer(), identities._issuer_key()
    context = context_of(tmp_path / "made", key, issuer)
    answer = await called(pair, context)
    assert answer == b"" or answer.startswith(TURNED_AWAY)
    assert pair.desk.asked == []

    serving = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    serving.load_cert_chain(tmp_path / "made" / "chain", tmp_path / "made" / "key")
    await refused_as_caller(pair, serving, PeerUnreachableError, "no syncd made")


# At another time


async def test_a_certificate_that_is_not_yet_valid_is_refused_by_either_side(pair: Pair) -> None:
    """A month ahead is more than the day by which certificates are dated back."""
    early = pair.make_identity("early-1", days_old=-30)
    pair.book.trust(TrustedPeer("early-1", early.fingerprint))
    async with pair.serving(), pair.client(early) as client:
        with pytest.raises(PeerUnreachableError, match="clock"):
            await client.ask(HELLO)
    assert pair.desk.asked == []

    pair.answering = early
    async with pair.serving(), pair.client() as client:
        with pytest.raises(PeerUnreachableError, match=r"not valid yet.*clocks"):
            await client.ask(HELLO)
    assert pair.desk.asked == []


# In another protocol


async def test_an_older_protocol_is_refused_by_either_side(pair: Pair) -> None:
    """TLS 1.2 shows certificates to who listens, and renegotiates; the right one is no excuse."""
    context = pair.asking.client_context()
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.maximum_version = ssl.TLSVersion.TLSv1_2
    assert await called(pair, context) == b""
    assert pair.desk.asked == []

    serving = pair.answering.server_context()
    serving.minimum_version = ssl.TLSVersion.TLSv1_2
    serving.maximum_version = ssl.TLSVersion.TLSv1_2
    await refused_as_caller(pair, serving, PeerUnreachableError, "protocol|reached")


async def test_no_session_is_resumed(pair: Pair) -> None:
    """A resumed one would prove no key, look at no date, and go on under older secrets."""
    context = pair.asking.client_context()
    async with pair.serving():
        answer, session, _ = await asyncio.to_thread(call, pair.port, context)
        assert answer.startswith(b"HTTP/1.1 200 ")
        assert session is not None
        assert not session.has_ticket
        again, _, was_resumed = await asyncio.to_thread(call, pair.port, context, session)
    assert again.startswith(b"HTTP/1.1 200 ")
    assert not was_resumed


def by_hand(port: int, context: ssl.SSLContext, then: Callable[[], bytes]) -> bytes:
    """Shake hands, send then() past TLS, and ask; return what still comes. Blocks."""
    incoming, outgoing = ssl.MemoryBIO(), ssl.MemoryBIO()
    tls = context.wrap_bio(incoming, outgoing)
    with socket.create_connection(("127.0.0.1", port), timeout=5) as plain:
        while True:
            try:
                tls.do_handshake()
                break
            except ssl.SSLWantReadError:
                plain.sendall(outgoing.read())
                incoming.write(plain.recv(65536))
        plain.sendall(outgoing.read() + then())
        tls.write(REQUEST)
        try:
            plain.sendall(outgoing.read())
            while True:
                if not (data := plain.recv(65536)):
                    return b""
                incoming.write(data)
                try:
                    return tls.read(65536)
                except ssl.SSLWantReadError:
                    continue
        except (ssl.SSLError, ConnectionError):
            return b""


@pytest.mark.parametrize("what", ["nothing", "hello", "alert"])
async def test_a_handshake_within_a_connection_ends_it(pair: Pair, what: str) -> None:
    """There is no renegotiation in TLS 1.3: another ClientHello, or a forged warning, is the end.

    RFC 8446, 4.1.2 ("it MUST terminate the connection") and 5 (what is not sealed is no record).
    """

    def then() -> bytes:
        if what == "hello":
            out = ssl.MemoryBIO()
            again = pair.asking.client_context().wrap_bio(ssl.MemoryBIO(), out)
            with pytest.raises(ssl.SSLWantReadError):
                again.do_handshake()
            return out.read()
        return b"\x15\x03\x03\x00\x02\x01\x64" if what == "alert" else b""

    async with pair.serving():
        answer = await asyncio.to_thread(by_hand, pair.port, pair.asking.client_context(), then)
    if what == "nothing":
        assert answer.startswith(b"HTTP/1.1 200 ")
        return
    assert answer == b""
    assert pair.desk.asked == []
