"""The board's entrance: how many connections there are, from where, and the TLS handshake.

Owns: the listening sockets, counting connections from accept to their very end, who goes when
too many wait, and how long a handshake may take. Must not: parse what is said; aiohttp does.

Bounded from the first moment: a connection is counted before its handshake, and one too many is
cut before a byte of it is read. Whoever has not shown a token or a session waits on a porch
(wire/porch.py), which is smaller than any share: so connections that show none, whoever of this
machine's users opens them, only push each other out, and a command gets in. This box's own commands
have places of their own, which no other machine can take. What is silent, or drips the head of a
request, aiohttp cuts after KEEP_ALIVE_S.

Very many that are opened again as they are cut keep the port's queue full all the same, and then it
is chance who gets in when. So commands have a door of their own: a socket in the state folder,
which no other user can reach, with a porch and a count of its own, and without TLS.
"""

import asyncio
import logging
import socket
import ssl
from collections import Counter
from collections.abc import Callable
from functools import partial
from typing import Any, cast

from aiohttp import web

from syncd.board.hosts import address_of
from syncd.board.throttle import key_of
from syncd.edges.folder_socket import is_of_folder
from syncd.leftovers import Leftovers
from syncd.limits import BACKLOG
from syncd.ports import Clock
from syncd.repeats import Repeats
from syncd.wire.porch import Guest, Porch

log = logging.getLogger(__name__)

WAITING_MAX = 64  # have shown no token yet, of all machines: less than each of the shares
HERE_MAX = 128  # from this machine: scripts, 64 event streams; as many by the state folder's socket
ELSEWHERE_MAX = 128  # from all other machines
EACH_MAX = 24  # from one of them: some pages with six connections each
HANDSHAKE_S = 5.0
TLS_CLOSE_S = 1.0
_HERE = "here"
_OWN = "own"  # through the socket in the state folder: by syncd's user, or root


class Entrance:
    """Makes the protocol for each accepted connection. tls: None where all is in the clear."""

    def __init__(
        self,
        make_http: Callable[[], web.RequestHandler],
        tls: ssl.SSLContext | None,
        clock: Clock,
    ) -> None:
        self._make_http = make_http
        self._tls = tls
        self._repeats = Repeats(log, clock)
        self._own_repeats = Repeats(log, clock)
        self._porch = Porch(clock, WAITING_MAX)
        self._own_porch = Porch(clock, WAITING_MAX)
        self._waiting: dict[web.RequestHandler, Guest] = {}
        self._listening: list[socket.socket] = []
        self._accepting: set[asyncio.Task[Any]] = set()
        self._inside: Counter[str] = Counter()
        self._handshakes: set[asyncio.Task[None]] = set()
        self._leftovers = Leftovers()

    def __call__(self, key: str = "") -> asyncio.Protocol:
        return _Visitor(self, key)

    @property
    def count(self) -> int:
        """How many connections there are now."""
        return self._inside.total()

    async def listen(self, host: str, port: int) -> int:
        """Accept connections until stop(); return the port. Raises OSError."""
        loop = asyncio.get_running_loop()
        bound = await loop.create_server(asyncio.Protocol, host, port, start_serving=False)
        opened = [each.dup() for each in bound.sockets]
        bound.close()
        self._listening += opened
        for listening in opened:
            listening.setblocking(False)
            try:
                listening.listen(BACKLOG)
            except OSError:
                await self.stop()
                raise
            self._accept_at(listening, self._porch, "board", self._repeats)
        return int(opened[0].getsockname()[1])

    def listen_at(self, listening: socket.socket) -> None:
        """Accept connections at the state folder's socket, too, until stop(), which closes it."""
        self._listening.append(listening)
        self._accept_at(listening, self._own_porch, "board's own", self._own_repeats)

    async def stop(self) -> None:
        """Accept no more, and end the handshakes that are under way."""
        for task in (*self._accepting, *self._handshakes):
            task.cancel()
        await asyncio.gather(*self._accepting, return_exceptions=True)
        for listening in self._listening:
            listening.close()

    def know(self, http: web.RequestHandler) -> None:
        """Let a connection that has shown a token, or a session, stay for as long as it likes."""
        guest = self._waiting.pop(http, None)
        if guest is not None:
            self._porch_of(guest.host).leave(guest)

    def _accept_at(
        self, listening: socket.socket, porch: Porch, port: str, repeats: Repeats
    ) -> None:
        accept = partial(asyncio.get_running_loop().sock_accept, listening)
        self._own(porch.open(accept, self._take, port=port, repeats=repeats), "board-accept")

    def _porch_of(self, key: str) -> Porch:
        return self._own_porch if key == _OWN else self._porch

    def _own(self, work: Any, name: str) -> None:
        task = asyncio.create_task(work, name=name)
        self._accepting.add(task)
        task.add_done_callback(self._accepting.discard)

    def _take(self, came: tuple[socket.socket, Any]) -> None:
        self._own(self._begin(came[0]), "board-begin")

    async def _begin(self, connected: socket.socket) -> None:
        visitor = partial(self, _OWN if is_of_folder(connected) else "")
        try:
            await asyncio.get_running_loop().connect_accepted_socket(visitor, connected)
        except OSError:
            connected.close()  # it has left already

    def come(self, visitor: "_Visitor", transport: asyncio.Transport) -> bool:
        """Count a connection in and begin to serve it; False if it is one too many."""
        if self._is_full(visitor.key):
            self._repeats.trouble("full", f"{_whose(visitor.key)} of the board are all in use")
            return False
        self._inside[visitor.key] += 1
        visitor.guest = Guest(
            visitor.key, partial(self._push_out, visitor.key, transport), transport.is_closing
        )
        self._porch_of(visitor.key).take_in(visitor.guest)
        if self._tls is None or visitor.key == _OWN:
            visitor.serve(transport, self.serve(visitor))
        else:
            transport.pause_reading()
            task = asyncio.create_task(
                self._shake_hands(visitor, transport, self._tls), name="board-handshake"
            )
            self._handshakes.add(task)
            task.add_done_callback(self._handshakes.discard)
        return True

    def _is_full(self, key: str) -> bool:
        if key in (_HERE, _OWN):
            return self._inside[key] >= HERE_MAX
        others = self.count - self._inside[_HERE] - self._inside[_OWN]
        return others >= ELSEWHERE_MAX or self._inside[key] >= EACH_MAX

    def serve(self, visitor: "_Visitor") -> web.RequestHandler:
        """Return who speaks HTTP with a visitor; whether it shows a token is not known yet."""
        http = self._make_http()
        if visitor.guest is not None:
            self._waiting[http] = visitor.guest
        return http

    def leave(self, key: str, guest: Guest | None, http: web.RequestHandler | None) -> None:
        """Count a connection out."""
        self._inside[key] -= 1
        if self._inside[key] <= 0:
            del self._inside[key]
        if guest is not None:
            self._porch_of(key).leave(guest)
        if http is not None:
            self._waiting.pop(http, None)

    def _push_out(self, key: str, transport: asyncio.Transport) -> None:
        where = _WHERE.get(key, key)
        text = f"Connections to the board from {where} that show no token are cut: too many wait"
        self._repeats.trouble("waiting", text)
        transport.abort()

    async def _shake_hands(
        self, visitor: "_Visitor", transport: asyncio.Transport, tls: ssl.SSLContext
    ) -> None:
        loop = asyncio.get_running_loop()
        try:
            sealed = await loop.start_tls(
                transport,
                visitor,
                tls,
                server_side=True,
                ssl_handshake_timeout=HANDSHAKE_S,
                ssl_shutdown_timeout=TLS_CLOSE_S,
            )
        except (OSError, asyncio.CancelledError):
            # It spoke no TLS, or none that we speak, or too slowly, or it left: all its own affair.
            sealed = None
        if sealed is None or sealed.is_closing():
            self._leftovers.more()
            transport.abort()
            visitor.gone()
            return
        visitor.serve(sealed, self.serve(visitor))


class _Visitor(asyncio.Protocol):
    """One connection: counted in, served by aiohttp, counted out when nothing of it is left.

    key: whose it is, if that is known before it is there.
    """

    def __init__(self, entrance: Entrance, key: str) -> None:
        self.key = key
        self.guest: Guest | None = None
        self._entrance = entrance
        self._is_in = False
        self._http: web.RequestHandler | None = None
        self._early: list[bytes] = []

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        connection = cast("asyncio.Transport", transport)
        self.key = self.key or _key(connection)
        self._is_in = True
        if not self._entrance.come(self, connection):
            self._is_in = False
            connection.abort()

    def serve(self, transport: asyncio.Transport, http: web.RequestHandler) -> None:
        """Hand the connection to aiohttp, with what came while the handshake ended."""
        self._http = http
        http.connection_made(transport)
        for data in self._early:
            http.data_received(data)
        self._early.clear()

    def gone(self) -> None:
        """Count it out, once."""
        if self._is_in:
            self._is_in = False
            self._entrance.leave(self.key, self.guest, self._http)

    def data_received(self, data: bytes) -> None:
        if self._http is None:
            self._early.append(data)  # of one turn of the loop at most: then serve() is called
        else:
            self._http.data_received(data)

    def eof_received(self) -> bool | None:
        if self._http is not None:
            self._http.eof_received()
        return None

    def pause_writing(self) -> None:
        if self._http is not None:
            self._http.pause_writing()

    def resume_writing(self) -> None:
        if self._http is not None:
            self._http.resume_writing()

    def connection_lost(self, exc: Exception | None) -> None:
        self.gone()
        if self._http is not None:
            self._http.connection_lost(exc)


_WHERE = {_HERE: "this machine", _OWN: "syncd's own user"}


def _whose(key: str) -> str:
    if key == _HERE:
        return "This machine's connections"
    return f"The connections for {_WHERE.get(key, key)}"


def _key(connection: asyncio.Transport) -> str:
    """Return who is at the other end of the port: _HERE, or one of the other machines."""
    peer, own = (
        str((connection.get_extra_info(name) or ("",))[0]) for name in ("peername", "sockname")
    )
    address = address_of(peer)
    is_here = address is not None and (address.is_loopback or address == address_of(own))
    return _HERE if is_here else key_of(peer)
