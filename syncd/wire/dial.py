"""Dialling a peer: all its addresses at once, the first that proves to be it is kept.

Owns: TCP, TLS and the fingerprint check of each new connection, before a byte of a request.
Must not: send anything. aiohttp's own TCPConnector resolves one host and checks a fingerprint only
without a client certificate, so this one makes the connections and leaves it the pool.
"""

import asyncio
import os
import ssl
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import aiohttp
from aiohttp.client_proto import ResponseHandler

from syncd.edges.dialling import DIALLED_TIMEOUT_S, notice_dead_hosts, open_socket
from syncd.errors import PeerRefusedError, PeerUnreachableError
from syncd.wire.ending import certificate_end
from syncd.wire.fingerprints import is_same
from syncd.wire.gate import peer_fingerprint
from syncd.wire.handshakes import handshake_error, hung_up
from syncd.wire.identity import Identity
from syncd.wire.peers import ADDRESSES_MAX, Address, address_text

if TYPE_CHECKING:
    from aiohttp.client import ClientTimeout
    from aiohttp.client_reqrep import ClientRequest
    from aiohttp.tracing import Trace

Attempts = dict["asyncio.Task[ResponseHandler]", Address]

HANDSHAKE_TIMEOUT_S = 3.0
TLS_CLOSE_TIMEOUT_S = 1.0
CLIENT_KEEPALIVE_S = 30.0
CONNECTIONS_MAX = 32


class WrongCertificateError(PeerRefusedError):
    """Somebody else answers at the address."""


class PeerConnector(aiohttp.BaseConnector):
    """A pool of connections to one peer, wherever it is just now.

    addresses: asked anew for each connection. last_address: of the newest connection, or None.
    seen_end: called with the time at which the peer's certificate ends, in UTC ms.
    """

    def __init__(
        self,
        name: str,
        addresses: Callable[[], Sequence[Address]],
        identity: Identity,
        fingerprint: str,
        seen_end: Callable[[int | None], None] | None = None,
    ) -> None:
        super().__init__(keepalive_timeout=CLIENT_KEEPALIVE_S, limit=CONNECTIONS_MAX)
        self.last_address: Address | None = None
        self._name = name
        self._addresses = addresses
        self._fingerprint = fingerprint
        self._seen_end = seen_end
        self._context = identity.client_context()

    async def _create_connection(
        self,
        req: "ClientRequest",  # noqa: ARG002 - there is one peer, whatever the URL says
        traces: "list[Trace]",  # noqa: ARG002
        timeout: "ClientTimeout",  # noqa: ARG002, ASYNC109 - each step has its own limit
    ) -> ResponseHandler:
        addresses = tuple(self._addresses())[:ADDRESSES_MAX]
        if not addresses:
            raise PeerUnreachableError(
                f"No address of {self._name} is known.",
                remedy="Start syncd there, or set address in its [[peer]] where multicast fails.",
            )
        attempts = {
            asyncio.create_task(self._try(address), name=f"dial-{address_text(address)}"): address
            for address in addresses
        }
        try:
            handler = await self._first_good(attempts)
        finally:
            await self._drop_others(attempts)
        if handler.transport is None:
            raise hung_up(self._name)
        return handler

    async def _first_good(self, attempts: Attempts) -> ResponseHandler:
        """Return the first connection that is the peer's; its attempt is taken out of attempts."""
        pending = set(attempts)
        while pending:
            done, pending = await asyncio.wait(pending, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                handler = _result(task)
                if handler is not None:
                    self.last_address = attempts.pop(task)
                    return handler
        raise _worst([task.exception() for task in attempts], self._name)

    async def _drop_others(self, attempts: Attempts) -> None:
        for task in attempts:
            task.cancel()
        await asyncio.gather(*attempts, return_exceptions=True)
        for task in attempts:
            handler = _result(task)
            if handler is not None and handler.transport is not None:
                handler.transport.abort()

    async def _try(self, address: Address) -> ResponseHandler:
        """Return a connection on which the peer has proved itself."""
        handler = await self._connect(address)
        shown = peer_fingerprint(handler.transport)
        if shown is None or handler.transport is None:
            raise hung_up(f"{self._name} at {address_text(address)}")
        if not is_same(shown, self._fingerprint):
            handler.transport.abort()
            raise WrongCertificateError(
                f"{address_text(address)} is not {self._name}: its certificate is {shown}, "
                f"pinned is {self._fingerprint}.",
                remedy="Correct the address; or, if that box was set up anew, run here "
                f"`syncd peers forget {self._name}`, and pair the two boxes.",
            )
        if self._seen_end is not None:
            self._seen_end(certificate_end(handler.transport))
        return handler

    async def _connect(self, address: Address) -> ResponseHandler:
        host, port = address
        where = f"{self._name} at {address_text(address)}"
        try:
            connected = await open_socket(host, port)
            notice_dead_hosts(connected, user_timeout_s=DIALLED_TIMEOUT_S)
            async with asyncio.timeout(HANDSHAKE_TIMEOUT_S):
                _, handler = await self._loop.create_connection(
                    self._factory,
                    sock=connected,
                    ssl=self._context,
                    server_hostname="",
                    ssl_handshake_timeout=HANDSHAKE_TIMEOUT_S,
                    ssl_shutdown_timeout=TLS_CLOSE_TIMEOUT_S,
                )
            return handler
        except ssl.SSLError as error:
            raise handshake_error(where, error) from error
        except TimeoutError as error:
            raise PeerUnreachableError(
                f"{where} does not answer.",
                remedy="Check cable, address and firewall.",
            ) from error
        except OSError as error:
            raise PeerUnreachableError(
                f"{where} cannot be reached: {_why(error)}.",
                remedy="Check that syncd runs there, then cable, address and firewall.",
            ) from error


def _result(task: "asyncio.Task[ResponseHandler]") -> ResponseHandler | None:
    if not task.done() or task.cancelled() or task.exception() is not None:
        return None
    return task.result()


def _why(error: OSError) -> str:
    """Say what the system says; asyncio puts an address in Python's notation in its place."""
    is_code = error.errno is not None and error.errno > 0
    return os.strerror(error.errno or 0) if is_code else str(error) or "no answer"


def _worst(errors: Sequence[BaseException | None], name: str) -> BaseException:
    """Return what to say when no address led to the peer: who else answered, if anyone did."""
    for error in errors:
        if not isinstance(error, PeerUnreachableError):
            assert error is not None, "an attempt ends with a connection or an error"
            return error
    if len(errors) == 1 and errors[0] is not None:
        return errors[0]
    problems = " ".join(e.problem for e in errors if isinstance(e, PeerUnreachableError))
    return PeerUnreachableError(
        f"{name} answers at none of its {len(errors)} addresses. {problems}",
        remedy="Check that syncd runs there, then cable, addresses and firewall.",
    )
