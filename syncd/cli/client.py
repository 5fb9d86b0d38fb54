"""The commands' way to the daemon: its board's API, with its token.

It goes through the socket in the state folder, where nobody else's connections are in the way. What
has no such socket is asked at the board's port, over TLS beyond loopback.

Owns: requests, their time limits, and turning an answer's error back into a SyncdError.
Must not: print anything.
"""

import http.client
import json
import ssl
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from syncd.board.token import NAME, SCHEME, SOCKET_NAME, TokenError, read_token
from syncd.config.values import HostPort
from syncd.edges.folder_socket import connect_in
from syncd.edges.state_lock import holder_of
from syncd.errors import DaemonBusyError, DaemonUnreachableError, SyncdError

ANSWER_S = 30.0
STREAM_SILENCE_S = 45.0  # three heartbeats
BEGIN = "begin"
# Somebody has taken the connection and not answered; a refused one may be of a daemon that starts.
_CUT: tuple[type[Exception], ...] = (
    *(ConnectionResetError, ConnectionAbortedError, BrokenPipeError, TimeoutError),
    *(ssl.SSLEOFError, ssl.SSLZeroReturnError, http.client.IncompleteRead),
)


class RefusedError(SyncdError):
    """The daemon answered, and could not do it; exit_code is what it said."""


class StaleTokenError(TokenError):
    """The daemon of this state folder runs, and the token there is none of it: nobody can ask."""

    http_status = 503
    exit_code = 69


@dataclass(frozen=True, slots=True)
class StreamEvent:
    """One block of the event stream: its number, its kind, and its JSON.

    The first one of a stream is of the kind BEGIN, has no JSON, and is no event.
    """

    seq: int
    kind: str
    data: dict[str, Any]


class BoardClient:
    """Asks the daemon at address, whose token and socket lie in the folder state.

    where: what was asked last. Every method raises DaemonUnreachableError, or another SyncdError.
    """

    def __init__(self, address: HostPort, state: Path) -> None:
        self._address = address
        self._state = state
        self._socket = state / SOCKET_NAME
        self.where: HostPort | Path = address

    def get(self, path: str) -> Any:
        """Return the JSON at path."""
        return self._ask("GET", path, None)

    def post(self, path: str, body: dict[str, Any], *, answer_s: float = ANSWER_S) -> Any:
        """Send body to path and return the JSON that comes back, within answer_s."""
        return self._ask("POST", path, body, answer_s)

    def events(self, after: int | None) -> Iterator[StreamEvent]:
        """Yield events as they happen, from after on (None: from now), until the stream ends."""
        with closing(self._connection(STREAM_SILENCE_S)) as connection:
            try:
                headers = {} if after is None else {"Last-Event-ID": str(after)}
                connection.request("GET", "/api/events", headers=headers | self._token())
                response = connection.getresponse()
                if response.status != http.HTTPStatus.OK:
                    raise self._error(response.status, response.read())
                yield from _blocks(response)
            except (OSError, http.client.HTTPException) as error:
                raise self._unreachable(error) from error

    def _ask(
        self, method: str, path: str, body: dict[str, Any] | None, answer_s: float = ANSWER_S
    ) -> Any:
        token = self._token()
        status, content = self._exchange(method, path, body, token, answer_s)
        if status == http.HTTPStatus.UNAUTHORIZED and self._token() != token:
            # The daemon was started anew between the two.
            status, content = self._exchange(method, path, body, self._token(), answer_s)
        if status >= http.HTTPStatus.BAD_REQUEST:
            raise self._error(status, content)
        try:
            return json.loads(content)
        except ValueError as error:
            raise self._unreachable(error) from error

    def _exchange(
        self,
        method: str,
        path: str,
        body: dict[str, Any] | None,
        token: dict[str, str],
        answer_s: float,
    ) -> tuple[int, bytes]:
        with closing(self._connection(answer_s)) as connection:
            try:
                data = None if body is None else json.dumps(body)
                headers = {"Content-Type": "application/json", "Connection": "close"}
                connection.request(method, path, data, headers | token)
                response = connection.getresponse()
                return response.status, response.read()
            except (OSError, http.client.HTTPException) as error:
                raise self._unreachable(error) from error

    def _token(self) -> dict[str, str]:
        """Return the header that shows the token; without one, what answers will say so."""
        token = read_token(self._state)
        return {} if token is None else {"Authorization": f"{SCHEME} {token}"}

    def _connection(self, timeout_s: float) -> http.client.HTTPConnection:
        """Return a connection; one to the port is not open yet. Raises DaemonUnreachableError."""
        try:
            connected = connect_in(self._state, SOCKET_NAME, timeout_s)
        except OSError:  # nobody listens there, or nobody can: then there is still the port
            self.where = self._address
        else:
            self.where = self._socket
            through = http.client.HTTPConnection("localhost", timeout=timeout_s)
            through.sock = connected
            return through
        host, port = self._address.callable_host, self._address.port
        if self._address.is_loopback:
            return http.client.HTTPConnection(host, port, timeout=timeout_s)
        return http.client.HTTPSConnection(host, port, timeout=timeout_s, context=self._tls())

    def _tls(self) -> ssl.SSLContext:
        """Return what lets in the very certificate that lies in the state folder, and no other."""
        from syncd.board import certificate  # noqa: PLC0415 - a second of imports; seldom

        try:
            context = ssl.create_default_context(cafile=self._state / certificate.NAME)
        except OSError as error:
            raise self._unreachable(error) from error
        context.check_hostname = False  # whatever this box is called: the certificate is the name
        context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
        return context

    def _error(self, status: int, content: bytes) -> SyncdError:
        if status != http.HTTPStatus.UNAUTHORIZED:
            return _refused(status, content)
        holder = holder_of(self._state)
        if holder is not None:
            return StaleTokenError(
                f"The token {self._state / NAME} is not that of the daemon that runs (process "
                f"{holder}): it was removed or replaced.",
                remedy="Start the daemon anew: it makes another token.",
            )
        return DaemonUnreachableError(
            f"What answers at {self.where} does not take the token in {self._state}.",
            remedy="Another daemon listens there: name its configuration with -c FILE.",
        )

    def _unreachable(self, error: Exception) -> DaemonUnreachableError:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else None
        reason = reason or str(error) or type(error).__name__
        holder = holder_of(self._state) if isinstance(error, _CUT) else None
        if holder is not None:
            by_others = "" if self.where == self._socket else _FILLED
            return DaemonBusyError(
                f"The daemon runs (process {holder}) and has not answered at {self.where} "
                f"({reason}).",
                remedy=f"Run the command again. If this stays, the daemon is too busy{by_others}: "
                "its log says so.",
            )
        return DaemonUnreachableError(
            f"The daemon does not answer at {self._address} ({reason}).",
            remedy="Start it with `syncd run`, or name its configuration with -c FILE.",
        )


_FILLED = ", or somebody fills the connections of its board"


def roll_path(text: str, *more: str) -> str:
    """Return the path of the roll that text names."""
    name = quote(text, safe="", errors="surrogateescape")
    return "/".join(("/api/rolls", name, *more))


def _refused(status: int, content: bytes) -> SyncdError:
    try:
        said = json.loads(content)["error"]
        error = RefusedError(str(said["problem"]), remedy=str(said["remedy"]))
        error.exit_code = int(said.get("exit_code", 1))
    except (ValueError, KeyError, TypeError):
        return RefusedError(
            f"Something that is not syncd answered (HTTP {status}).",
            remedy="Compare node.board in the configuration with what listens on that port.",
        )
    return error


def _blocks(response: http.client.HTTPResponse) -> Iterator[StreamEvent]:
    """Read server-sent events; an unfinished block at the end is thrown away."""
    fields: dict[str, str] = {}
    while line := response.readline():
        text = line.decode().rstrip("\r\n")
        if not text:
            if "data" in fields:
                yield StreamEvent(
                    int(fields["id"]), fields.get("event", "message"), json.loads(fields["data"])
                )
            elif "id" in fields:
                yield StreamEvent(int(fields["id"]), BEGIN, {})
            fields = {}
        elif not text.startswith(":"):
            name, _, value = text.partition(":")
            fields[name] = value.removeprefix(" ")
