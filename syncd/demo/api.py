"""What the demo asks of a running daemon: the board's JSON API, its metrics and its events.

Owns: requests over plain HTTP on loopback, with the daemon's token, and a thread that follows the
event stream.
Must not: know anything about a daemon that the board does not tell everybody.
"""

import http.client
import json
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

from syncd.board.token import TokenError, read_token

Event = dict[str, Any]
_ANSWER_S = 20.0
_SILENCE_S = 45.0
_RETRY_S = 0.1


class ApiError(Exception):
    """The daemon said no, or did not answer; the message has its words."""


class Api:
    """The board at 127.0.0.1:port of the daemon whose state folder is state."""

    def __init__(self, port: int, state: Path) -> None:
        self._port = port
        self._state = state

    def get(self, path: str) -> Any:
        """Return the JSON at path. Raises ApiError."""
        return json.loads(self._ask("GET", path))

    def post(self, path: str, body: dict[str, Any]) -> Any:
        """Send body and return the JSON that comes back. Raises ApiError."""
        return json.loads(self._ask("POST", path, json.dumps(body)))

    def rolls(self) -> list[dict[str, Any]]:
        """Return every roll. Raises ApiError."""
        rolls: list[dict[str, Any]] = self.get("/api/rolls")["rolls"]
        return rolls

    def metric(self, name: str) -> int:
        """Return one number of /metrics, 0 if it is not there. Raises ApiError."""
        for line in self._ask("GET", "/metrics").splitlines():
            key, _, value = line.partition(" ")
            if key == name:
                return int(float(value))
        return 0

    def _ask(self, method: str, path: str, body: str | None = None) -> str:
        connection = http.client.HTTPConnection("127.0.0.1", self._port, timeout=_ANSWER_S)
        with closing(connection):
            try:
                headers = {"Content-Type": "application/json", "Connection": "close"}
                connection.request(method, path, body, headers | token_header(self._state))
                answer = connection.getresponse()
                text = answer.read().decode()
            except (OSError, http.client.HTTPException) as error:
                raise ApiError(f"{method} {path}: {error}") from error
        if answer.status >= http.HTTPStatus.BAD_REQUEST:
            raise ApiError(f"{method} {path}: {answer.status} {text}")
        return text


def token_header(state: Path) -> dict[str, str]:
    """Return the header that a board wants to see."""
    try:
        token = read_token(state)
    except TokenError as error:
        raise ApiError(str(error)) from error
    return {} if token is None else {"Authorization": f"Bearer {token}"}


class Events:
    """Everything that a daemon's event stream said, from its first event on.

    Follows across restarts of the daemon, each event once. close() ends the thread.
    """

    def __init__(self, port: int, state: Path) -> None:
        self._port = port
        self._state = state
        self._seen: list[Event] = []
        self._news = threading.Condition()
        self._is_over = False
        self._connection: http.client.HTTPConnection | None = None
        self._thread = threading.Thread(target=self._run, name="demo-events", daemon=True)
        self._thread.start()

    def all(self) -> list[Event]:
        """Return every event so far, oldest first."""
        with self._news:
            return list(self._seen)

    def wait(self, is_it: Callable[[Event], bool], timeout_s: float) -> Event | None:
        """Return the first event, past ones too, that is_it accepts; None after timeout_s."""
        deadline_s = time.monotonic() + timeout_s
        looked_at = 0
        with self._news:
            while True:
                for event in self._seen[looked_at:]:
                    if is_it(event):
                        return event
                looked_at = len(self._seen)
                left_s = deadline_s - time.monotonic()
                if left_s <= 0 or self._is_over:
                    return None
                self._news.wait(left_s)

    def close(self) -> None:
        """Stop following."""
        with self._news:
            self._is_over = True
            self._news.notify_all()
            connection = self._connection
        if connection is not None and connection.sock is not None:
            connection.sock.close()

    def _run(self) -> None:
        while not self._is_over:
            connection = http.client.HTTPConnection("127.0.0.1", self._port, timeout=_SILENCE_S)
            with self._news:
                self._connection = connection
            try:
                self._follow(connection)
            except (OSError, http.client.HTTPException, ValueError, ApiError):
                # Down or not yet up; whoever waits for an event has a time limit of its own.
                time.sleep(_RETRY_S)
            finally:
                connection.close()

    def _follow(self, connection: http.client.HTTPConnection) -> None:
        last = self._seen[-1]["seq"] if self._seen else 0
        headers = {"Last-Event-ID": str(last)} | token_header(self._state)
        connection.request("GET", "/api/events", headers=headers)
        answer = connection.getresponse()
        if answer.status != http.HTTPStatus.OK:
            raise ApiError(f"the event stream: {answer.status}")
        while not self._is_over and (line := answer.readline()):
            if line.startswith(b"data: "):
                self._take(json.loads(line[6:]))

    def _take(self, event: Event) -> None:
        with self._news:
            if "type" in event:
                self._seen.append(event)
                self._news.notify_all()
