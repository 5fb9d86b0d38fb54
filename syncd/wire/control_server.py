"""The control plane, answering side: POST /peer/NAME over TLS, one msgpack message each way.

Owns: the listening socket, the way from bytes to a question and from an answer to bytes.
Must not: know what a question means; the desk answers. Strangers do not come this far (gate.py),
and a peer that is un-paired while connected is refused at its next question.

Closing: no new connections, long-polls are ended at once, other questions get CLOSE_S to finish.
Handlers are never cancelled because a client left: what was asked is done.
"""

import asyncio
import errno
import logging
import socket
import ssl
from functools import partial
from typing import Any, Protocol, Self

from aiohttp import web

from syncd import __version__
from syncd.edges.dialling import ACCEPTED_TIMEOUT_S, notice_dead_hosts
from syncd.errors import ConfigError, HeldError, PeerRefusedError, SyncdError, UnfitError
from syncd.http_doors import PROBLEM, HttpDoor
from syncd.leftovers import Leftovers
from syncd.limits import BACKLOG, CONTROL_BODY_BYTES_MAX, MIB
from syncd.ports import Clock
from syncd.repeats import Repeats
from syncd.roll.names import shown
from syncd.wire.fields import BadMessage
from syncd.wire.gate import (
    MEDIA_TYPE,
    Gate,
    Pairing,
    host_of,
    is_stranger,
    not_paired,
    peer_fingerprint,
)
from syncd.wire.identity import Identity
from syncd.wire.messages import (
    ANSWERS,
    QUESTION_NAMES,
    QUESTIONS,
    Message,
    PeerIdentity,
    Refusal,
    Tidings,
    pack,
    unpack,
)
from syncd.wire.peers import PeerBook
from syncd.wire.porch import Guest, Porch
from syncd.wire.turns import Turns

log = logging.getLogger(__name__)

HANDSHAKE_TIMEOUT_S = 5.0
TLS_CLOSE_TIMEOUT_S = 1.0
BODY_TIMEOUT_S = 20.0
KEEPALIVE_S = 75.0  # longer than the client's, so that the client is the one that lets go
LINGER_S = 2.0  # a refused body is read on for this long, so that the refusal gets through
CLOSE_S = 1.0  # the whole daemon has 5 s to end
PREFIX = "/peer/"
REFUSAL_TEXT_LENGTH_MAX = 2000
PATH_SHOWN_MAX = 80


class Desk(Protocol):
    """Who answers the questions."""

    async def check(self, peer: PeerIdentity, kind: type[Message]) -> None:
        """Raise PeerRefusedError if this peer may not ask such questions; none is read then."""

    async def answer(self, peer: PeerIdentity, question: Any) -> Any:
        """Return the answer. Raises SyncdError to refuse."""

    async def note_unfit(self, peer: PeerIdentity, asked: str, error: UnfitError) -> None:
        """Write down that what came is no question, or not of those that are asked by name."""


class ControlServer:
    """Serves the desk to paired peers between __aenter__ and __aexit__.

    port: the one asked for, or, if that was 0, the one that the system chose.
    """

    def __init__(
        self, host: str, port: int, *, identity: Identity, book: PeerBook, desk: Desk, clock: Clock
    ) -> None:
        self.port = port
        self._host = host
        self._identity = identity
        self._book = book
        self._desk = desk
        self._clock = clock
        self._http = web.Server(self._handle, handler_cancellation=False)
        self._repeats = Repeats(log, clock)
        door = partial(
            HttpDoor,
            self._http,
            self._unreadable,
            self._repeats,
            auto_decompress=False,
            keepalive_timeout=KEEPALIVE_S,
            lingering_time=LINGER_S,
        )
        self._gate = Gate(door, book, identity.name, clock)
        self._turns = Turns()
        self._handling: set[asyncio.Task[Any]] = set()
        self._polling: set[asyncio.Task[Any]] = set()
        self._porch = Porch(clock)
        self._context = identity.server_context()
        self._listening: list[socket.socket] = []
        self._accepting: list[asyncio.Task[Any]] = []
        self._shaking: dict[asyncio.Task[None], None] = {}
        self._leftovers = Leftovers()

    def pair_by(self, pairing: Pairing) -> None:
        """Let those who ask to pair talk with pairing."""
        self._gate.pairing = pairing

    async def __aenter__(self) -> Self:
        """Listen. Raises ConfigError naming the address if that is not possible."""
        try:
            self._listening = await _bind(self._host, self.port)
        except OSError as error:
            raise _cannot_listen(self._host, self.port, error) from error
        self.port = self._listening[0].getsockname()[1]
        for listening in self._listening:
            accepting = self._porch.open(
                partial(asyncio.get_running_loop().sock_accept, listening),
                self._take,
                port="control",
                repeats=self._repeats,
            )
            self._accepting.append(asyncio.create_task(accepting, name="control-accept"))
        return self

    async def __aexit__(self, *_: object) -> None:
        for accepting in self._accepting:
            accepting.cancel()
        await asyncio.gather(*self._accepting, return_exceptions=True)
        for listening in self._listening:
            listening.close()
        self._porch.end_all()
        await asyncio.gather(*self._shaking, return_exceptions=True)
        self._http.pre_shutdown()
        for task in self._polling:
            task.cancel()
        await self._http.shutdown(CLOSE_S)
        await self._end_leftovers()

    def _take(self, came: tuple[socket.socket, Any]) -> None:
        """Begin the handshake of a connection, beside the others."""
        connected, address = came
        guest = Guest(str(address[0]), lambda: None)
        task = asyncio.create_task(self._shake_hands(connected, guest), name="control-handshake")
        guest.end = task.cancel
        self._shaking[task] = None
        task.add_done_callback(lambda done: self._shaken(connected, guest, done))
        self._porch.take_in(guest)

    async def _shake_hands(self, connected: socket.socket, guest: Guest) -> None:
        """Do the TLS handshake; whoever is a stranger stays on the porch until it is gone."""
        transport, _ = await asyncio.get_running_loop().connect_accepted_socket(
            self._gate,
            connected,
            ssl=self._context,
            ssl_handshake_timeout=HANDSHAKE_TIMEOUT_S,
            ssl_shutdown_timeout=TLS_CLOSE_TIMEOUT_S,
        )
        if not is_stranger(transport):
            self._porch.leave(guest)
        guest.end, guest.is_gone = transport.abort, transport.is_closing

    def _shaken(self, connected: socket.socket, guest: Guest, done: "asyncio.Task[None]") -> None:
        del self._shaking[done]
        error = None if done.cancelled() else done.exception()
        if done.cancelled() or error is not None:
            self._porch.leave(guest)
            connected.close()
            self._leftovers.more()
        if isinstance(error, ssl.SSLError):
            self._repeats.trouble(
                "handshake",
                f"The control port turned away {guest.host}, whose TLS is not a syncd's: it shows "
                "no certificate, or one that no syncd made or that is not valid now",
            )
        elif error is not None and not isinstance(error, OSError):
            log.error("A handshake failed.", exc_info=error)

    def end_peer(self, name: str) -> None:
        """Cut the connections of a peer that is dead: what they still had to say reaches nobody."""
        peer = self._book.trusted_by_name(name)
        if peer is not None:
            self._gate.end(peer.fingerprint)

    def end_fingerprint(self, fingerprint: str) -> None:
        """Cut the connections of a peer that is trusted no longer."""
        self._gate.end(fingerprint)
        self._turns.forget(fingerprint)

    async def _end_leftovers(self) -> None:
        """End what aiohttp leaves running: handlers whose asker has left are none of its own."""
        for task in self._handling:
            task.cancel()
        if self._handling:
            await asyncio.wait(self._handling, timeout=CLOSE_S)

    async def _handle(self, request: web.BaseRequest) -> web.StreamResponse:
        task = asyncio.current_task()
        assert task is not None
        for own in (task, request.task):  # of this question, and of its connection
            self._handling.add(own)
            own.add_done_callback(self._handling.discard)
        fingerprint = peer_fingerprint(request.transport) or "unknown"
        peer = self._book.trusted_by_fingerprint(fingerprint)
        host = host_of(request.transport)
        if peer is None:
            self._gate.strangers.note(fingerprint, host)
            return _refused(403, not_paired(fingerprint, self._identity.name), close=True)
        self._book.heard(peer.name, self._clock.utc_ms())
        asker = PeerIdentity(peer.name, fingerprint, host, peer.roles)
        try:
            kind = _question_kind(request)
            await self._desk.check(asker, kind)
            async with self._turns.line(fingerprint, kind):
                question = await _read_question(request, kind)
                if self._book.trusted_by_fingerprint(fingerprint) != peer:  # it waited in line
                    return _refused(403, not_paired(fingerprint, self._identity.name), close=True)
                return await self._answer(task, asker, question)
        except _AskedBadly as error:
            refusal = error.refusal(self._identity.name)
            await self._note(asker, error, refusal)
            return _refused(error.status, refusal, close=True)
        except PeerRefusedError as error:
            return _refused(error.http_status, _refusal_for(error), close=True)

    def _unreadable(self) -> web.Response:
        error = _AskedBadly(400, "unreadable", PROBLEM)
        return _refused(error.status, error.refusal(self._identity.name), close=True)

    async def _note(self, peer: PeerIdentity, error: "_AskedBadly", refusal: Refusal) -> None:
        """Write down what no box asks; what only was slow, or cut off, the log has now and then."""
        if error.is_unfit:
            unfit = UnfitError(refusal.message, remedy=refusal.remedy)
            await self._desk.note_unfit(peer, error.asked, unfit)
            return
        self._repeats.trouble(peer.fingerprint, f"{peer.name} asks badly: {refusal.message}")

    async def _answer(
        self, task: asyncio.Task[Any], peer: PeerIdentity, question: Message
    ) -> web.Response:
        if isinstance(question, Tidings):
            self._polling.add(task)
        try:
            answer = await self._desk.answer(peer, question)
        except SyncdError as error:
            return _refused(error.http_status, _refusal_for(error))
        finally:
            self._polling.discard(task)
        assert isinstance(answer, ANSWERS[type(question)]), "the desk gives the answer asked for"
        return web.Response(body=pack(answer), content_type=MEDIA_TYPE)


# What is no question of this version comes from another one, or from what is no syncd at all.
OTHER_VERSION = (
    "{own} has syncd {version}: see what `syncd --version` says on the box that asks, and run the "
    "same version on both."
)
TRY_AGAIN = "It is asked again by itself. If it repeats, look at the cable and the switch."


class _AskedBadly(Exception):  # noqa: N818 - the asker's mistake, answered and done with
    """What came is no question; status and refusal() are its answer.

    asked: the name of the question, as far as there is one. is_unfit: no box asks so.
    """

    def __init__(
        self, status: int, code: str, message: str, *, asked: str = "nothing", is_unfit: bool = True
    ) -> None:
        super().__init__(message)
        self.asked = asked
        self.is_unfit = is_unfit
        self.status = status
        self.code = code

    def refusal(self, own: str) -> Refusal:
        """Return what the asker is told. own: the name of this box."""
        remedy = OTHER_VERSION.format(own=own, version=__version__) if self.is_unfit else TRY_AGAIN
        return Refusal(code=self.code, message=_clean(str(self)), remedy=remedy)


def _question_kind(request: web.BaseRequest) -> type[Message]:
    """Return the question's class from the head alone. Raises _AskedBadly."""
    name = request.path.removeprefix(PREFIX)
    if not request.path.startswith(PREFIX) or name not in QUESTIONS:
        text = f"There is no question {shown(request.path[:PATH_SHOWN_MAX])} here."
        raise _AskedBadly(404, "unknown-question", text)
    if request.method != "POST":
        text = f"{name} is asked by POST, not by {shown(request.method[:PATH_SHOWN_MAX])}."
        raise _AskedBadly(405, "method", text, asked=name)
    if "Content-Encoding" in request.headers:
        text = f"The body of {name} has a Content-Encoding, and bodies travel as they are."
        raise _AskedBadly(415, "encoding", text, asked=name)
    return QUESTIONS[name]


async def _read_question(request: web.BaseRequest, kind: type[Message]) -> Message:
    """Return the question. Raises _AskedBadly."""
    name = QUESTION_NAMES[kind]
    try:
        async with asyncio.timeout(BODY_TIMEOUT_S):
            body = await request.read()  # at most 1 MiB, aiohttp's own limit
        return unpack(kind, body)
    except web.HTTPRequestEntityTooLarge:
        text = f"The body of {name} is larger than {CONTROL_BODY_BYTES_MAX // MIB} MiB."
        raise _AskedBadly(413, "too-large", text, asked=name) from None
    except TimeoutError:
        text = f"The body of {name} was not there after {BODY_TIMEOUT_S:.0f} s."
        raise _AskedBadly(408, "slow", text, is_unfit=False) from None
    except ConnectionError:  # nobody is there to read this; nor is it worth a traceback
        text = f"The connection ended within the body of {name}."
        raise _AskedBadly(400, "cut-off", text, is_unfit=False) from None
    except BadMessage as error:
        text = f"The body of {name} cannot be read: {shown(str(error))}"
        raise _AskedBadly(400, "bad-message", text, asked=name) from None


def _refusal_for(error: SyncdError) -> Refusal:
    code = error.code.value if isinstance(error, HeldError) else PeerRefusedError.code
    code = error.code if isinstance(error, PeerRefusedError) else code
    return Refusal(code=code, message=_clean(error.problem), remedy=_clean(error.remedy))


def _clean(text: str) -> str:
    """Make any text one that may travel; a refusal must not fail for its own words."""
    return text[:REFUSAL_TEXT_LENGTH_MAX].encode(errors="replace").decode()


def _refused(status: int, refusal: Refusal, *, close: bool = False) -> web.Response:
    response = web.Response(status=status, body=pack(refusal), content_type=MEDIA_TYPE)
    if close:
        response.force_close()
    return response


async def _bind(host: str, port: int) -> list[socket.socket]:
    """Listen on every address of host, as asyncio finds them. Raises OSError."""
    loop = asyncio.get_running_loop()
    bound = await loop.create_server(asyncio.Protocol, host, port, start_serving=False)
    listening = [each.dup() for each in bound.sockets]
    bound.close()
    for each in listening:
        each.setblocking(False)
        notice_dead_hosts(each, user_timeout_s=ACCEPTED_TIMEOUT_S)
        each.listen(BACKLOG)
    return listening


def _cannot_listen(host: str, port: int, error: OSError) -> ConfigError:
    if error.errno == errno.EADDRINUSE:
        remedy = "End the other program, or choose another port with control in [node]."
    else:
        remedy = "Set control in [node] to an address of this box, such as 0.0.0.0:8840."
    return ConfigError(f"Cannot listen on {host}:{port}: {error.strerror}.", remedy=remedy)
