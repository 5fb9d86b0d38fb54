"""The board's server: JSON, event stream, metrics and health, for whom Access lets in.

Owns: which path leads to which question of the facade, and opening and closing the port.
Must not: decide anything; the facade does.
"""

import asyncio
import logging
import ssl
from collections.abc import Awaitable, Callable, Collection
from contextlib import suppress
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any, Self

from aiohttp import web

from syncd.board import metrics
from syncd.board.access import Access
from syncd.board.body import body_of, only
from syncd.board.entrance import Entrance
from syncd.board.facade import NodeFacade
from syncd.board.guard import Know, dress, guard_with, unreadable
from syncd.board.hosts import Hosts
from syncd.board.streams import HEARTBEAT_S, EventStreams
from syncd.board.token import SOCKET_NAME
from syncd.config.values import HostPort
from syncd.edges.folder_socket import listen_in, remove_in
from syncd.errors import ConfigError, UsageError
from syncd.http_doors import HttpDoor
from syncd.limits import SPEED_SECONDS_DEFAULT, SPEED_SECONDS_MAX, UTC_MS_MAX
from syncd.ports import Clock
from syncd.repeats import Repeats

log = logging.getLogger(__name__)

BODY_BYTES_MAX = 64 * 1024
KEEP_ALIVE_S = 30.0
SHUTDOWN_S = 2.0
LINGER_S = 2.0  # a refused body is read on for this long, so that the refusal gets through
HEALTH_EVERY_S = 1.0
RANK_MAX = 1_000_000
CODE_WAIT_S = 2.0  # for so long a command that was killed may still count as waiting
SPEED_WAIT_S = 1.0  # well within the time after which a measuring that nobody asks for ends
SPEED_AMOUNT_DEFAULT = 10**12
SPEED_AMOUNT_MAX = 10**18
_TEXT_MAX = 4096


class BoardServer:
    """The board of one node; an async context manager, or start() and close().

    names: to which it answers beside loopback and its address. pem: key and certificate; with them
    it speaks TLS, and nothing else. state: where it listens for this box's own commands, too, if
    that is possible; whoever holds this folder's lock makes the board. Raises ConfigError from
    start() if the port is taken.
    """

    def __init__(
        self,
        facade: NodeFacade,
        address: HostPort,
        access: Access,
        clock: Clock,
        *,
        names: Collection[str] = (),
        pem: Path | None = None,
        state: Path | None = None,
        heartbeat_s: float = HEARTBEAT_S,
    ) -> None:
        assert pem or address.is_loopback, "what is asked and the token travel in the clear"
        self.address = address
        hosts = Hosts("https" if pem else "http", frozenset(name.lower() for name in names))
        self.streams = EventStreams(facade, access, heartbeat_s=heartbeat_s)
        self._runner = web.AppRunner(
            make_app(facade, self.streams, access, hosts, self._know), shutdown_timeout=SHUTDOWN_S
        )
        self._clock = clock
        self._repeats = Repeats(log, clock)
        self._tls = None if pem is None else _tls(pem)
        self._state = state
        self._entrance: Entrance | None = None

    async def start(self) -> None:
        """Open the port; address then has the real one."""
        await self._runner.setup()
        assert self._runner.server is not None, "it is there after setup()"
        door = partial(
            HttpDoor,
            self._runner.server,
            unreadable,
            self._repeats,
            keepalive_timeout=KEEP_ALIVE_S,
            lingering_time=LINGER_S,
        )
        self._entrance = Entrance(door, self._tls, self._clock)
        try:
            port = await self._entrance.listen(self.address.host, self.address.port)
        except OSError as error:
            await self._runner.cleanup()
            raise ConfigError(
                f"The board cannot listen on {self.address}: {error.strerror or error}.",
                remedy="Stop what listens there, or give node.board another port.",
            ) from error
        self.address = HostPort(self.address.host, port)
        if self._state is not None:
            self._listen_in(self._entrance, self._state)

    async def close(self) -> None:
        """End every stream, let answers under way finish, close the port."""
        if self._entrance is not None:
            await self._entrance.stop()
        if self._state is not None:
            with suppress(OSError):  # what is left there, the next start removes
                remove_in(self._state, SOCKET_NAME)
        self.streams.end()
        await self._runner.cleanup()

    def _listen_in(self, entrance: Entrance, state: Path) -> None:
        try:
            entrance.listen_at(listen_in(state, SOCKET_NAME))
        except OSError as error:
            log.warning(
                "Commands have only the board's port, where others may be in their way: %s cannot "
                "be had: %s",
                state / SOCKET_NAME,
                error.strerror or error,
            )

    def _know(self, http: web.RequestHandler) -> None:
        if self._entrance is not None:
            self._entrance.know(http)

    def routes(self) -> Collection[web.AbstractRoute]:
        """Return every method and path that it answers."""
        return self._runner.app.router.routes()

    async def __aenter__(self) -> Self:
        await self.start()
        return self

    async def __aexit__(self, *_: object) -> None:
        await self.close()


def _tls(pem: Path) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.set_alpn_protocols(["http/1.1"])
    context.load_cert_chain(pem)
    return context


def make_app(
    facade: NodeFacade, streams: EventStreams, access: Access, hosts: Hosts, know: Know
) -> web.Application:
    """Return the application, not yet bound to a port. know: hears who has shown a token."""
    guard = guard_with(access, hosts, know)
    app = web.Application(middlewares=[guard], client_max_size=BODY_BYTES_MAX)
    app.on_response_prepare.append(dress)
    routes = _Routes(facade)
    # An id may hold a "/": DAY/ROLL is one, too.
    app.add_routes(
        [
            web.get("/api/rolls", routes.rolls),
            web.get("/api/rolls/{id:.+}", routes.roll),
            web.post("/api/rolls/{id:.+}/rank", routes.rank),
            web.post("/api/rolls/{id:.+}/pause", routes.pause),
            web.post("/api/rolls/{id:.+}/go", routes.go),
            web.post("/api/pause", routes.pause),
            web.post("/api/go", routes.go),
            web.get("/api/peers", _plain(facade.peers)),
            web.post("/api/peers/forget", routes.forget_peer),
            web.post("/api/pairing", routes.show_code),
            web.get("/api/pairing/{id}", routes.code_shown),
            web.post("/api/pairing/{id}/close", routes.hide_code),
            web.post("/api/pairing/join", routes.type_code),
            web.post("/api/speed", routes.measure),
            web.get("/api/speed/{id}", routes.measured),
            web.post("/api/speed/{id}/close", routes.measure_no_more),
            web.get("/api/fetches", routes.fetches),
            web.post("/api/fetches", routes.fetch),
            web.get("/api/events", streams.handle, allow_head=False),
            web.get("/api/status", _plain(facade.status)),
            web.get("/metrics", routes.metrics),
            web.get("/healthz", routes.healthz),
        ]
    )

    if access.login is not None:
        app.add_routes(
            [
                web.post("/api/login", access.login.log_in),
                web.post("/api/logout", access.login.log_out),
            ]
        )

    async def end_streams(_: web.Application) -> None:
        streams.end()

    app.on_shutdown.append(end_streams)
    return app


class _Routes:
    """The handlers that do more than pass an answer on."""

    def __init__(self, facade: NodeFacade) -> None:
        self._facade = facade
        self._looking: asyncio.Task[int] | None = None
        self._looked_s = 0.0

    async def rolls(self, _: web.Request) -> web.Response:
        body = await self._facade.rolls()
        return web.Response(body=body, content_type="application/json", charset="utf-8")

    async def roll(self, request: web.Request) -> web.Response:
        return web.json_response(await self._facade.roll(_text(request)))

    async def rank(self, request: web.Request) -> web.Response:
        text, body = _text(request), await body_of(request)
        only(body, "rank", "rush", "needed_by")
        if not body:
            raise UsageError("No place is given.", remedy='Send "rank", "needed_by" or "rush".')
        if "rush" in body:
            if body != {"rush": True}:
                raise UsageError(
                    '"rush" goes with nothing else.', remedy='Send {"rush": true}, or leave it out.'
                )
            await self._facade.rush(text)
        else:
            needed_by = _needed_by(body["needed_by"]) if "needed_by" in body else ...
            await self._facade.set_order(
                text, rank=_rank(body.get("rank")), needed_by_utc_ms=needed_by
            )
        return web.json_response(await self._facade.roll(text))

    async def pause(self, request: web.Request) -> web.Response:
        text = await _which(request)
        await self._facade.pause(text)
        return web.json_response(await self._now(text))

    async def go(self, request: web.Request) -> web.Response:
        text = await _which(request)
        hastened = await self._facade.go(text)
        return web.json_response(await self._now(text) | {"notices": hastened})

    async def _now(self, text: str | None) -> dict[str, Any]:
        """Return how one roll is now, or with None the node."""
        return await (self._facade.status() if text is None else self._facade.roll(text))

    async def show_code(self, request: web.Request) -> web.Response:
        only(await body_of(request))
        return web.json_response(await self._facade.show_code(), status=201)

    async def code_shown(self, request: web.Request) -> web.Response:
        shown = await self._facade.code_shown(_number(request), CODE_WAIT_S)
        return web.json_response(shown)

    async def hide_code(self, request: web.Request) -> web.Response:
        only(await body_of(request))
        return web.json_response(await self._facade.hide_code(_number(request)))

    async def type_code(self, request: web.Request) -> web.Response:
        body = await body_of(request)
        only(body, "code", "with")
        (code,) = _texts(body, "code")
        (with_,) = _texts(body, "with") if "with" in body else ("",)
        return web.json_response(await self._facade.type_code(code, with_))

    async def forget_peer(self, request: web.Request) -> web.Response:
        body = await body_of(request)
        only(body, "peer")
        (peer,) = _texts(body, "peer")
        return web.json_response({"forgotten": await self._facade.forget_peer(peer)})

    async def measure(self, request: web.Request) -> web.Response:
        body = await body_of(request)
        only(body, "seconds", "bytes")
        seconds = _real(body, "seconds", SPEED_SECONDS_DEFAULT, SPEED_SECONDS_MAX)
        total_bytes = _real(body, "bytes", SPEED_AMOUNT_DEFAULT, SPEED_AMOUNT_MAX)
        started = await self._facade.measure(seconds, int(total_bytes))
        return web.json_response(started, status=201)

    async def measured(self, request: web.Request) -> web.Response:
        found = await self._facade.measured(_number(request, "measuring"), SPEED_WAIT_S)
        return web.json_response(found)

    async def measure_no_more(self, request: web.Request) -> web.Response:
        only(await body_of(request))
        number = _number(request, "measuring")
        return web.json_response(await self._facade.measure_no_more(number))

    async def fetches(self, _: web.Request) -> web.Response:
        return web.json_response({"fetches": await self._facade.fetches()})

    async def fetch(self, request: web.Request) -> web.Response:
        body = await body_of(request)
        only(body, "roll", "to")
        roll, to = _texts(body, "roll", "to")
        return web.json_response(await self._facade.fetch(roll, to), status=202)

    async def metrics(self, _: web.Request) -> web.Response:
        body = metrics.render(await self._facade.metrics()).encode()
        return web.Response(body=body, headers={"Content-Type": metrics.CONTENT_TYPE})

    async def healthz(self, _: web.Request) -> web.Response:
        """Say that the loop turns and the journal answers, and nothing else: anybody may ask.

        However often, the journal is asked once a second.
        """
        now_s = asyncio.get_running_loop().time()
        if self._looking is None or now_s >= self._looked_s + HEALTH_EVERY_S:
            self._looked_s = now_s
            self._looking = asyncio.create_task(self._facade.last_seq(), name="board-health")
        async with asyncio.timeout(SHUTDOWN_S):
            await asyncio.shield(self._looking)
        return web.json_response({"ok": True})


def _plain(
    question: Callable[[], Awaitable[dict[str, Any]]],
) -> Callable[[web.Request], Awaitable[web.Response]]:
    async def handler(_: web.Request) -> web.Response:
        return web.json_response(await question())

    return handler


def _text(request: web.Request) -> str:
    return request.match_info["id"]


async def _which(request: web.Request) -> str | None:
    """Return the roll that is asked about, None for everything; nothing else is in the body."""
    only(await body_of(request))
    return _text(request) if "id" in request.match_info else None


def _number(request: web.Request, of: str = "pairing") -> int:
    text = request.match_info["id"]
    if text.isascii() and text.isdigit() and len(text) < 10:
        return int(text)
    raise UsageError(f"{text[:80]!r} is no {of}.", remedy="Use the id that it was opened with.")


def _real(body: dict[str, Any], key: str, default: float, high: float) -> float:
    """Return a number above 0. Raises UsageError."""
    value = body.get(key, default)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if is_number and 0 < value <= high:
        return value  # type: ignore[no-any-return]
    raise UsageError(
        f'"{key}" is no number that is possible.', remedy=f"Send one up to {high:g}, above 0."
    )


def _texts(body: dict[str, Any], *keys: str) -> list[str]:
    """Return the values of keys, each a text. Raises UsageError."""
    for key in keys:
        value = body.get(key)
        if not isinstance(value, str) or not 0 < len(value) <= _TEXT_MAX or "\0" in value:
            wanted = " and ".join(f'"{each}"' for each in keys)
            raise UsageError(f'"{key}" is not a text.', remedy=f"Send {wanted}.")
    return [body[key] for key in keys]


def _rank(value: Any) -> int | None:
    is_whole = isinstance(value, int) and not isinstance(value, bool)
    if value is None or (is_whole and -RANK_MAX <= value <= RANK_MAX):
        return value  # type: ignore[no-any-return]
    raise UsageError(
        '"rank" is no rank.', remedy=f"Send a whole number from {-RANK_MAX} to {RANK_MAX}."
    )


def _needed_by(value: Any) -> int | None:
    """Read an RFC 3339 time with its offset, or null for none."""
    if value is None:
        return None
    try:
        moment = datetime.fromisoformat(value)
        utc_ms = int(moment.astimezone(UTC).timestamp() * 1000)
    except (TypeError, ValueError, OverflowError):
        moment, utc_ms = None, -1
    if moment is None or moment.tzinfo is None or not 0 <= utc_ms <= UTC_MS_MAX:
        raise UsageError(
            '"needed_by" is no time.', remedy='Send one such as "2026-03-14T19:00:00Z", or null.'
        )
    return utc_ms
