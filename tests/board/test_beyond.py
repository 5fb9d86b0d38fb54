"""A board that other machines reach: TLS and a passphrase, attacked over real sockets."""

import asyncio
import json
import socket
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from cryptography import x509

from syncd.board import body, certificate, entrance, server
from syncd.board.access import Access
from syncd.board.login import COOKIE, SESSION_S, SESSIONS_MAX, Login, Sessions
from syncd.board.passphrase import hashed
from syncd.board.server import BoardServer
from syncd.board.throttle import EACH_MAX
from syncd.edges.chance import SystemChance
from syncd.edges.clock import RealClock
from syncd.edges.disk import RealDisk
from syncd.edges.threads import ThreadLines
from syncd.journal.journal import Journal
from syncd.ports import Ports
from tests.board.world import NOON, SHOWN, TOKEN, board_of

TWO_LENGTHS = (
    "POST /api/pause HTTP/1.1\r\nHost: localhost\r\nContent-Length: 2\r\n"
    "Transfer-Encoding: chunked\r\n{token}\r\n\r\n0\r\n\r\n"
)
GOOD = "salt meridian reel twelve"
JSON = {"Content-Type": "application/json"}


@dataclass
class Far:
    """A board beyond loopback, and a client that knows its certificate."""

    board: BoardServer
    session: aiohttp.ClientSession
    pem: Path
    access: Access

    @property
    def url(self) -> str:
        return f"https://{self.board.address}"

    async def ask(self, path: str, **more: Any) -> tuple[int, Any]:
        async with self.session.get(self.url + path, **more) as reply:
            return reply.status, await reply.json()

    async def log_in(self, guess: Any, **headers: str) -> aiohttp.ClientResponse:
        text = json.dumps({"passphrase": guess})
        url = self.url + "/api/login"
        async with self.session.post(url, data=text, headers=JSON | headers) as reply:
            await reply.read()
            return reply


def client_tls(pem: Path) -> ssl.SSLContext:
    """Return what trusts this very certificate."""
    context = ssl.create_default_context(cafile=pem)
    context.check_hostname = False
    context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    return context


@asynccontextmanager
async def far_of(journal: Journal, folder: Path, **more: Any) -> AsyncIterator[Far]:
    """Serve such a board on a free port of loopback, which stands for any."""
    certificate.load_or_make(folder, ["process-1", "board.example"], NOON)
    pem = folder / certificate.NAME
    disk = RealDisk()
    ports = Ports(clock=RealClock(), chance=SystemChance(), disk=disk, lines=ThreadLines())
    access = Access(TOKEN, Login(hashed(GOOD, SystemChance()), ports))
    connector = aiohttp.TCPConnector(ssl=client_tls(pem))
    jar = aiohttp.CookieJar(unsafe=True)  # of an address
    try:
        async with (
            board_of(journal, access=access, names=["process-1"], pem=pem, **more) as board,
            aiohttp.ClientSession(connector=connector, cookie_jar=jar) as session,
        ):
            yield Far(board, session, pem, access)
    finally:
        disk.close()


@pytest.fixture
async def far(journal: Journal, tmp_path: Path) -> AsyncIterator[Far]:
    """Give a board beyond loopback."""
    async with far_of(journal, tmp_path) as far:
        yield far


async def test_the_passphrase_opens_a_session_that_a_browser_keeps_to_itself(far: Far) -> None:
    """Over TLS only, for no script of a page, for no other site, for this host alone."""
    assert (await far.ask("/api/rolls"))[0] == 401
    reply = await far.log_in(GOOD)
    assert reply.status == 200
    flags = reply.headers["Set-Cookie"].split("; ")
    assert flags[0].startswith(f"{COOKIE}=")
    assert {"HttpOnly", "Secure", "SameSite=Strict", "Path=/"} <= set(flags)
    assert not any(flag.lower().startswith("domain") for flag in flags)

    assert await far.ask("/api/rolls") == (200, {"rolls": []})
    async with far.session.get(far.url + "/api/events") as stream:
        assert stream.status == 200

    async with far.session.post(far.url + "/api/logout", data="{}", headers=JSON) as reply:
        assert reply.status == 200
    cookie = {"Cookie": flags[0]}
    assert (await far.ask("/api/rolls", headers=cookie))[0] == 401, "it is over on this side, too"


async def test_a_stream_ends_with_its_session(journal: Journal, tmp_path: Path) -> None:
    """Whoever logged out hears no more, also on what was open; a token's stream stays."""
    async with far_of(journal, tmp_path, heartbeat_s=0.05) as far:
        assert (await far.log_in(GOOD)).status == 200
        async with (
            far.session.get(far.url + "/api/events") as own,
            far.session.get(far.url + "/api/events", headers=SHOWN) as other,
        ):
            await far.session.post(far.url + "/api/logout", data="{}", headers=JSON)
            async with asyncio.timeout(5):
                await own.read()
                await other.content.readuntil(b"still here\n")
                await other.content.readuntil(b"still here\n")


async def test_the_token_opens_it_too_and_a_wrong_one_is_not_mended_by_a_cookie(far: Far) -> None:
    """Scripts of this box need no passphrase."""
    assert (await far.ask("/api/rolls", headers=SHOWN))[0] == 200
    assert (await far.log_in(GOOD)).status == 200
    wrong = {"Authorization": f"Bearer {TOKEN[::-1]}"}
    assert (await far.ask("/api/rolls", headers=wrong))[0] == 401


async def test_whom_this_box_trusts_is_not_changed_by_who_only_knows_the_passphrase(
    far: Far,
) -> None:
    """Neither shown, typed, ended nor forgotten; the token, which is a file on the box, may."""
    assert (await far.log_in(GOOD)).status == 200
    asked = [
        ("POST", "/api/pairing", {}),
        ("GET", "/api/pairing/1", None),
        ("POST", "/api/pairing/1/close", {}),
        ("POST", "/api/pairing/join", {"code": "482 913"}),
        ("POST", "/api/peers/forget", {"peer": "process-1"}),
    ]
    paths = {path.replace("1", "{id}") for _, path, _ in asked}
    served = {route.resource.canonical for route in far.board.routes() if route.resource}
    assert paths == {path for path in served if "pairing" in path or "forget" in path}
    for method, path, content in asked:
        text = None if content is None else json.dumps(content)
        for shown, is_allowed in (({}, False), (SHOWN, True)):
            async with far.session.request(
                method, far.url + path, data=text, headers=JSON | shown
            ) as reply:
                said = await reply.json()
                assert (reply.status < 300) is is_allowed, (path, said)
                if not is_allowed:
                    assert reply.status == 403
                    assert "on the box itself" in said["error"]["remedy"]
    assert (await far.ask("/api/peers"))[0] == 200, "looking is not changing"


async def test_guessing_is_slowed_down_and_bounded(far: Far) -> None:
    """A few a minute, however many are sent at once; then not even the right one is tried."""
    replies = await asyncio.gather(*(far.log_in(f"guess number {n}") for n in range(40)))
    statuses = [reply.status for reply in replies]
    assert statuses.count(403) <= EACH_MAX
    assert statuses.count(403) + statuses.count(429) == 40
    late = await far.log_in(GOOD)
    assert late.status == 429
    assert 1 <= int(late.headers["Retry-After"]) <= 61
    assert (await far.ask("/api/rolls", headers=SHOWN))[0] == 200, "the token is not concerned"


@pytest.mark.parametrize("guess", [None, 5, "", [GOOD], {"a": 1}, "x" * 2000])
async def test_a_guess_that_is_no_text_is_refused_unhashed(far: Far, guess: Any) -> None:
    """Nothing is paid for it."""
    assert (await far.log_in(guess)).status == 400


async def test_pages_elsewhere_cannot_log_in_or_use_a_session(far: Far) -> None:
    """By Origin, by what the browser says of the site, by a rebound name, by a form."""
    assert (await far.log_in(GOOD, Origin="https://page.example")).status == 403
    assert (await far.log_in(GOOD, Origin=far.url.replace("https", "http"))).status == 403
    for site in ("cross-site", "same-site", "x"):
        assert (await far.log_in(GOOD, **{"Sec-Fetch-Site": site})).status == 403
    assert (await far.log_in(GOOD, Host="rebound.example")).status == 403
    form = {"passphrase": GOOD}
    async with far.session.post(far.url + "/api/login", data=form) as reply:
        assert reply.status == 400
    assert (await far.ask("/api/rolls"))[0] == 401, "none of them is in"

    own = {"Origin": far.url, "Sec-Fetch-Site": "same-origin"}
    assert (await far.log_in(GOOD, **own)).status == 200
    crossing = {"Sec-Fetch-Site": "cross-site"}
    assert (await far.ask("/api/rolls", headers=crossing))[0] == 403


async def test_a_name_of_this_box_is_answered(far: Far) -> None:
    """The node's name, the address that was called; no other."""
    for host in ("process-1", "PROCESS-1:8842", str(far.board.address)):
        assert (await far.ask("/api/rolls", headers={**SHOWN, "Host": host}))[0] == 200
    for host in ("process-2", "10.20.0.2"):
        assert (await far.ask("/api/rolls", headers={**SHOWN, "Host": host}))[0] == 403


async def test_what_speaks_no_tls_gets_nothing(far: Far) -> None:
    """Nor is anything of a request looked at that came in the clear."""
    request = f"GET /healthz HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer {TOKEN}\r\n\r\n"
    reader, writer = await asyncio.open_connection("127.0.0.1", far.board.address.port)
    writer.write(request.encode())
    async with asyncio.timeout(5):
        answer = b""
        with suppress(ConnectionError):
            answer = await reader.read()
    writer.close()
    assert b"HTTP" not in answer


async def test_old_tls_is_refused(far: Far) -> None:
    """1.2 and 1.3 only."""
    context = client_tls(far.pem)
    context.minimum_version = context.maximum_version = ssl.TLSVersion.TLSv1_2
    once = {"Connection": "close"}
    async with far.session.get(far.url + "/healthz", ssl=context, headers=once) as reply:
        assert reply.status == 200
    with pytest.warns(DeprecationWarning, match="TLSv1_1"):
        context.minimum_version = ssl.TLSVersion.TLSv1_1
    with pytest.warns(DeprecationWarning, match="TLSv1_1"):
        context.maximum_version = ssl.TLSVersion.TLSv1_1
    with pytest.raises(aiohttp.ClientError):
        await far.session.get(far.url + "/healthz", ssl=context)


async def test_handshakes_that_never_end_are_counted_and_cut(
    far: Far, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They take a place from the first moment, and give it back; the token's owner gets through."""
    monkeypatch.setattr(entrance, "HANDSHAKE_S", 0.5)
    door = far.board._entrance
    assert door is not None
    sockets = []
    for _ in range(60):
        slow = socket.create_connection(("127.0.0.1", far.board.address.port))
        slow.send(b"\x16\x03\x01")  # the first bytes of a handshake, and no more
        sockets.append(slow)
    assert (await far.ask("/api/rolls", headers=SHOWN))[0] == 200
    assert door.count >= 60
    await at_most(door, 1)  # our own is kept alive
    for slow in sockets:
        slow.close()


async def test_a_crowd_is_kept_out_before_its_first_byte(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One too many is cut at once, and whoever leaves makes room."""
    monkeypatch.setattr(entrance, "HERE_MAX", 10)
    async with board_of(journal) as board:
        door = board._entrance
        assert door is not None
        crowd = [await asyncio.open_connection("127.0.0.1", board.address.port) for _ in range(300)]
        gone = 0
        async with asyncio.timeout(10):
            for reader, _ in crowd[10:]:
                try:
                    gone += await reader.read() == b""
                except ConnectionError:
                    gone += 1
        assert gone == 290
        assert door.count == 10
        for _, writer in crowd:
            writer.close()
        await at_most(door, 0)
        async with (
            aiohttp.ClientSession() as session,
            session.get(f"http://{board.address}/healthz") as reply,
        ):
            assert reply.status == 200


async def at_most(door: entrance.Entrance, count: int) -> None:
    """Wait until so many connections are left."""
    async with asyncio.timeout(5):
        while door.count > count:  # noqa: ASYNC110 - connections end at the other end's will
            await asyncio.sleep(0.02)


class _At:
    """A transport of which only the two ends matter."""

    def __init__(self, peer: str, own: str = "10.20.0.2") -> None:
        self.ends = {"peername": (peer, 1), "sockname": (own, 8842)}
        self.was_cut = False

    def get_extra_info(self, name: str) -> Any:
        return self.ends.get(name)

    def abort(self) -> None:
        self.was_cut = True

    def is_closing(self) -> bool:
        return False


def test_no_machine_takes_the_places_of_another_or_of_this_box() -> None:
    """Each has a share; all together have one; this box's own is apart."""

    class Nothing:
        def connection_made(self, transport: object) -> None:
            """Serve nobody."""

    door = entrance.Entrance(Nothing, None, RealClock())  # type: ignore[arg-type]

    def come(*peers: str) -> int:
        let_in = 0
        for peer in peers:
            at = _At(peer)
            door().connection_made(at)  # type: ignore[arg-type]
            let_in += not at.was_cut
        return let_in

    assert come(*["10.20.0.9"] * 100) == entrance.EACH_MAX
    assert come("10.20.0.8") == 1
    many = entrance.ELSEWHERE_MAX - entrance.EACH_MAX - 1
    assert come(*(f"10.20.1.{n % 250}" for n in range(1000))) == many
    assert come("10.20.0.7") == 0
    assert come(*["127.0.0.1", "127.0.0.5", "::1", "10.20.0.2", "::ffff:127.0.0.1"]) == 5


async def test_headers_cannot_be_injected(far: Far) -> None:
    """Whatever is asked for, an answer has the headers that we gave it."""
    for path in ("/api/rolls/x%0d%0aSet-Cookie:%20a=b", "/x%0d%0aX-More:%201"):
        async with far.session.get(far.url + path, headers=SHOWN) as reply:
            assert reply.status == 404
            assert "Set-Cookie" not in reply.headers
            assert "X-More" not in reply.headers
            assert reply.headers["Server"] == "syncd"
            assert reply.headers["X-Content-Type-Options"] == "nosniff"


@pytest.mark.parametrize(
    "request_text",
    [
        "GET /api/rolls HTTP/1.1\r\nHost: localhost\r\nHost: rebound.example\r\n{token}\r\n\r\n",
        "GET http://rebound.example/api/rolls HTTP/1.1\r\nHost: rebound.example\r\n{token}\r\n\r\n",
        "GET /api/rolls HTTP/1.1\r\n{token}\r\n\r\n",
        "GET /api/rolls HTTP/1.0\r\n{token}\r\n\r\n",
        "GET /api/rolls HTTP/1.1\r\nHost: localhost\r\n{token}\r\nBad\x00: 1\r\n\r\n",
        "GET /api/rolls HTTP/1.1\r\nHost: localhost\r\n{token}\r\nBig: " + "x" * 9000 + "\r\n\r\n",
        TWO_LENGTHS,
    ],
)
async def test_crooked_requests_are_refused(journal: Journal, request_text: str) -> None:
    """Two hosts, none, somebody else's, and heads that two readers would read differently."""
    async with board_of(journal) as board:
        reader, writer = await asyncio.open_connection("127.0.0.1", board.address.port)
        said = request_text.replace(
            "{token}", f"Authorization: Bearer {TOKEN}\r\nConnection: close"
        )
        writer.write(said.encode())
        async with asyncio.timeout(10):
            answer = await reader.readline()
        writer.close()
    assert answer.split()[1][:2] in (b"40", b"43"), answer


@pytest.mark.parametrize(
    "said",
    [
        b"",
        b"GET /healthz HTTP/1.1\r\nHost: localhost\r\nX-A",
        b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n\r\n",
    ],
)
async def test_who_says_nothing_or_half_of_it_is_cut(
    journal: Journal, monkeypatch: pytest.MonkeyPatch, said: bytes
) -> None:
    """Silent from the start, in mid-head, or after an answer; a byte now and then does not help."""
    monkeypatch.setattr(server, "KEEP_ALIVE_S", 0.5)
    async with board_of(journal) as board:
        reader, writer = await asyncio.open_connection("127.0.0.1", board.address.port)
        writer.write(said)

        async def drip() -> None:
            while said.endswith(b"A"):
                await asyncio.sleep(0.05)
                writer.write(b"A")

        dripping = asyncio.create_task(drip())
        async with asyncio.timeout(5):
            with suppress(ConnectionError):
                await reader.read()
        dripping.cancel()
        writer.close()


async def test_a_body_that_drips_is_given_up(far: Far, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a login, which nobody has to be known for."""
    monkeypatch.setattr(body, "BODY_S", 0.3)

    async def drip() -> AsyncIterator[bytes]:
        for _ in range(1000):
            yield b"{"
            await asyncio.sleep(0.05)

    url = far.url + "/api/login"
    async with (
        asyncio.timeout(5),
        far.session.post(url, data=drip(), headers=JSON) as reply,
    ):
        assert reply.status == 408


def test_sessions_end_by_themselves_and_are_bounded() -> None:
    """After a day, and when too many are begun, the oldest first."""
    sessions = Sessions()
    sessions.begin("first", 0.0)
    assert sessions.has("first", SESSION_S - 1)
    assert not sessions.has("first", SESSION_S)
    for n in range(SESSIONS_MAX):
        sessions.begin(f"{n}", 1.0)
    assert not sessions.has("first", 2.0)
    assert sessions.has("0", 2.0)
    assert not sessions.has("", 2.0)


def test_the_certificate_stays_until_its_last_weeks(tmp_path: Path) -> None:
    """Its fingerprint is compared once; damaged, exposed or lacking a name it is made anew."""
    week_ms = 7 * 86_400_000
    first = certificate.load_or_make(tmp_path, ["process-1", "10.20.0.2"], NOON)
    path = tmp_path / certificate.NAME
    assert certificate.load_or_make(tmp_path, ["process-1"], NOON + 100 * week_ms) == first
    made = x509.load_pem_x509_certificate(path.read_bytes())
    names = made.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert names.get_values_for_type(x509.DNSName) == ["process-1"]
    assert [str(ip) for ip in names.get_values_for_type(x509.IPAddress)] == ["10.20.0.2"]
    assert (made.not_valid_after_utc - made.not_valid_before_utc).days <= 825
    assert path.stat().st_mode & 0o077 == 0

    seen = {first}
    more = ["process-1", "board.example"]
    late = NOON + 110 * week_ms
    seen.add(certificate.load_or_make(tmp_path, ["process-1"], late))
    seen.add(certificate.load_or_make(tmp_path, more, late))
    for spoil in (lambda: path.chmod(0o644), lambda: path.write_bytes(b"x")):
        spoil()
        seen.add(certificate.load_or_make(tmp_path, more, late))
    assert len(seen) == 5
