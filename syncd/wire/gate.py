"""The gate behind the TLS handshake: only paired peers get through to the HTTP parser.

Owns: reading the certificate of a fresh connection, how many connections one peer may hold, and
what a stranger is told. Must not: parse anything. One that asks to pair (it says so in the
handshake) is passed on to pairing_server.py while a code is shown. Any other stranger's bytes are
counted as "it sent something" and dropped; it then gets one fixed answer, so that the box on the
other side can say what is wrong, and is cut.
"""

import asyncio
import logging
from collections.abc import Callable
from typing import Protocol, cast

from aiohttp import web

from syncd.ports import Clock
from syncd.repeats import Repeats
from syncd.wire.ending import certificate_end
from syncd.wire.fingerprints import fingerprint_of
from syncd.wire.hosts import host_key
from syncd.wire.messages import Refusal, pack
from syncd.wire.pairing import ALPN
from syncd.wire.peers import PeerBook

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/msgpack"
CONNECTIONS_PER_PEER_MAX = 64  # lanes, a long-poll, a heartbeat and some questions at once
# Anyone can make certificates without end, and on one's own link addresses, too. All of a /24 that
# show as many as are told use less than the burst.
STRANGER_CERTIFICATES_TOLD_MAX = 3  # of one host
STRANGER_LINES_BURST = 1024
STRANGER_LINE_EVERY_S = 60.0  # from then on
STRANGER_PATIENCE_S = 2.0


def peer_fingerprint(transport: asyncio.BaseTransport | None) -> str | None:
    """Return the fingerprint of the certificate that the other side of a connection showed."""
    tls = None if transport is None else transport.get_extra_info("ssl_object")
    der = None if tls is None else tls.getpeercert(binary_form=True)
    return None if der is None else fingerprint_of(der)


def not_paired(fingerprint: str, own_name: str) -> Refusal:
    """Return what a stranger is told."""
    return Refusal(
        code="not-paired",
        message=f"{own_name} does not know the certificate {fingerprint}.",
        remedy=f"Pair the two boxes: run `syncd pair` on {own_name}, and `syncd pair CODE` here, "
        "with the code that it shows.",
    )


class StrangerLog:
    """Some lines for each host, then one now and then with a count; and a bound of all lines.

    Of one host the first few certificates are told, so that it hides none of another one.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._repeats = Repeats(log, clock, texts_max=STRANGER_CERTIFICATES_TOLD_MAX)
        self._room = float(STRANGER_LINES_BURST)
        self._room_of_s = clock.monotonic_s()
        self._untold = 0

    def note(self, fingerprint: str, host: str) -> None:
        """Tell of one that was turned away, unless its host was told of enough."""
        if not self._has_room():
            self._untold += 1
            return
        text = f"Turned away {host}, which is not paired: its certificate is {fingerprint}"
        if not self._repeats.trouble(host_key(host), text):
            return
        self._room -= 1
        if self._untold:
            log.warning("No line tells of %d others, from very many hosts", self._untold)
            self._untold = 0

    def _has_room(self) -> bool:
        now_s = self._clock.monotonic_s()
        more = (now_s - self._room_of_s) / STRANGER_LINE_EVERY_S
        self._room, self._room_of_s = min(STRANGER_LINES_BURST, self._room + more), now_s
        return self._room >= 1


class Pairing(Protocol):
    """Who talks with those that ask to pair."""

    def meet(self, fingerprint: str, host: str) -> asyncio.Protocol | None:
        """Return who talks with one of them; None: no code is shown."""


class _NoPairing:
    """Where no code is ever shown."""

    def meet(self, fingerprint: str, host: str) -> asyncio.Protocol | None:  # noqa: ARG002
        return None


class Gate:
    """Makes the protocol for each accepted connection; the certificate decides which."""

    def __init__(
        self,
        make_http: Callable[[], web.RequestHandler],
        book: PeerBook,
        name: str,
        clock: Clock,
    ) -> None:
        self.strangers = StrangerLog(clock)
        self._repeats = Repeats(log, clock)
        self.pairing: Pairing = _NoPairing()
        self._make_http = make_http
        self._book = book
        self._name = name
        self._open: dict[str, list[web.RequestHandler]] = {}

    def __call__(self) -> asyncio.Protocol:
        return _AtTheGate(self)

    def choose(self, transport: asyncio.Transport) -> asyncio.Protocol | None:
        """Return who may have this connection, or None if it is to be cut at once."""
        fingerprint = peer_fingerprint(transport)
        if fingerprint is None:
            return None
        if _asks_to_pair(transport):
            talk = self.pairing.meet(fingerprint, host_of(transport))
            return talk or _refused(pack(not_paired(fingerprint, self._name)))
        peer = self._book.trusted_by_fingerprint(fingerprint)
        if peer is None:
            self.strangers.note(fingerprint, host_of(transport))
            return _refused(pack(not_paired(fingerprint, self._name)))
        handlers = [h for h in self._open.get(fingerprint, ()) if h.transport is not None]
        if len(handlers) >= CONNECTIONS_PER_PEER_MAX:
            text = f"{peer.name} holds {CONNECTIONS_PER_PEER_MAX} connections; cutting new ones"
            self._repeats.trouble(fingerprint, text)
            return None
        self._book.ends(fingerprint, certificate_end(transport))
        handler = self._make_http()
        self._open[fingerprint] = [*handlers, handler]
        return handler

    def end(self, fingerprint: str) -> None:
        """Cut what is open with a peer that has fallen silent, or is trusted no longer."""
        for handler in self._open.pop(fingerprint, ()):
            if handler.transport is not None:
                handler.transport.abort()


def _asks_to_pair(transport: asyncio.BaseTransport) -> bool:
    """Tell what the other side has said in the handshake; nothing of what it sends is read."""
    tls = transport.get_extra_info("ssl_object")
    return tls is not None and tls.selected_alpn_protocol() == ALPN


def is_stranger(transport: asyncio.Transport) -> bool:
    """Tell whether a connection is neither a peer's nor one of the few that talk about pairing."""
    return isinstance(transport.get_protocol(), OneAnswer | _AtTheGate)


def host_of(transport: asyncio.BaseTransport | None) -> str:
    """Return the host at the other end, for display and for lanes; "" if it is gone."""
    address = None if transport is None else transport.get_extra_info("peername")
    return "" if address is None else str(address[0])


class _AtTheGate(asyncio.Protocol):
    """Lives from the end of the handshake until the certificate has been looked at."""

    def __init__(self, gate: Gate) -> None:
        self._gate = gate

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        connection = cast("asyncio.Transport", transport)
        protocol = self._gate.choose(connection)
        if protocol is None:
            connection.abort()
            return
        connection.set_protocol(protocol)
        protocol.connection_made(connection)


def _refused(refusal: bytes) -> "OneAnswer":
    head = (
        f"HTTP/1.1 403 Forbidden\r\nContent-Type: {MEDIA_TYPE}\r\n"
        f"Content-Length: {len(refusal)}\r\nConnection: close\r\n\r\n"
    )
    return OneAnswer(head.encode() + refusal)


class OneAnswer(asyncio.Protocol):
    """Answers the first bytes, whatever they are, with the same, and hangs up."""

    def __init__(self, answer: bytes) -> None:
        self._answer = answer
        self._timer: asyncio.TimerHandle | None = None
        self._transport: asyncio.Transport | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)
        loop = asyncio.get_running_loop()
        self._timer = loop.call_later(STRANGER_PATIENCE_S, self._transport.abort)

    def data_received(self, data: bytes) -> None:  # noqa: ARG002 - never looked at
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(self._answer)
            self._transport.close()

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002
        if self._timer is not None:
            self._timer.cancel()
