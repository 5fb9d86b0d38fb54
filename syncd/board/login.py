"""Sessions of people who gave the passphrase: a cookie, for a shooting day.

Owns: the login itself, how guesses are slowed down, which sessions there are.
Must not: keep a passphrase or a cookie's value; hashes of both do.

Hashing runs beside the event loop, one at a time: guessing takes one core at most, and 32 MiB.
While somebody guesses from many addresses, others may have to wait; the token and open sessions do
not.
"""

import asyncio
import hashlib
import logging

from aiohttp import web

from syncd.board.body import body_of, only
from syncd.board.passphrase import CHARACTERS_MAX, PassphraseHash
from syncd.board.throttle import Throttle
from syncd.errors import SyncdError, UsageError
from syncd.ports import Ports
from syncd.repeats import Repeats

log = logging.getLogger(__name__)

# "__Host-": a browser takes it over TLS only, for this host and no other (RFC 6265bis, 4.1.3.2).
COOKIE = "__Host-syncd"
SESSION_BYTES = 32
SESSION_S = 16 * 3600.0
SESSIONS_MAX = 64
WAITING_MAX = 4  # guesses that wait for the one that is being hashed


class WrongPassphraseError(SyncdError):
    """The guess was wrong."""

    http_status = 403


class TooManyGuessesError(SyncdError):
    """It may be tried again after retry_after_s."""

    http_status = 429

    def __init__(self, retry_after_s: float) -> None:
        self.retry_after_s = max(1, round(retry_after_s + 0.5))
        super().__init__(
            "The passphrase was tried too often.",
            remedy=f"Try again in {self.retry_after_s} s.",
        )


class Sessions:
    """Who is logged in: hash of the cookie's value, and until when (monotonic)."""

    def __init__(self) -> None:
        self._ends_s: dict[bytes, float] = {}

    def begin(self, value: str, now_s: float) -> None:
        """Begin a session; the oldest of too many ends."""
        self._ends_s = {key: ends for key, ends in self._ends_s.items() if ends > now_s}
        while len(self._ends_s) >= SESSIONS_MAX:
            del self._ends_s[next(iter(self._ends_s))]
        self._ends_s[_key(value)] = now_s + SESSION_S

    def has(self, value: str, now_s: float) -> bool:
        """Tell whether the session is open. Its hash is looked up: time tells nothing about it."""
        return self._ends_s.get(_key(value), now_s) > now_s

    def end(self, value: str) -> None:
        """End a session, if there is one."""
        self._ends_s.pop(_key(value), None)


class Login:
    """The way in for people beyond this box."""

    def __init__(self, passphrase: PassphraseHash, ports: Ports) -> None:
        self.sessions = Sessions()
        self._passphrase = passphrase
        self._ports = ports
        self._throttle = Throttle()
        self._hashing = asyncio.Lock()
        self._waiting = 0
        self._repeats = Repeats(log, ports.clock)

    def is_open(self, request: web.Request) -> bool:
        """Tell whether the request is part of a session."""
        value = request.cookies.get(COOKIE, "")
        return bool(value) and self.sessions.has(value, self._ports.clock.monotonic_s())

    async def log_in(self, request: web.Request) -> web.Response:
        """Answer POST /api/login {"passphrase": …}: a session cookie if it is the one."""
        body = await body_of(request)
        only(body, "passphrase")
        guess = body.get("passphrase")
        if not isinstance(guess, str) or not 0 < len(guess) <= CHARACTERS_MAX:
            raise UsageError('"passphrase" is not a text.', remedy='Send {"passphrase": "…"}.')
        host = request.remote or ""
        await self._check(guess, host)
        value = self._ports.chance.random_bytes(SESSION_BYTES).hex()
        self.sessions.begin(value, self._ports.clock.monotonic_s())
        answer = web.json_response({"ok": True, "ends_in_s": SESSION_S})
        answer.set_cookie(
            COOKIE,
            value,
            max_age=int(SESSION_S),
            path="/",
            secure=True,
            httponly=True,
            samesite="Strict",
        )
        return answer

    async def log_out(self, request: web.Request) -> web.Response:
        """Answer POST /api/logout: the session of its cookie is over."""
        only(await body_of(request))
        self.sessions.end(request.cookies.get(COOKIE, ""))
        answer = web.json_response({"ok": True})
        answer.del_cookie(COOKIE, path="/", secure=True, httponly=True, samesite="Strict")
        return answer

    async def _check(self, guess: str, host: str) -> None:
        wait_s = self._throttle.wait_s(host, self._ports.clock.monotonic_s())
        if wait_s > 0:
            self._repeats.trouble(
                "guesses", f"The board's passphrase is being guessed from {host}."
            )
            raise TooManyGuessesError(wait_s)
        if self._waiting >= WAITING_MAX:
            raise TooManyGuessesError(1.0)
        self._waiting += 1
        try:
            async with self._hashing:
                is_right = await self._ports.disk.aside(self._passphrase.matches, guess)
        finally:
            self._waiting -= 1
        if not is_right:
            raise WrongPassphraseError("This is not the passphrase.", remedy="Try again.")
        self._throttle.forgive(host)


def _key(value: str) -> bytes:
    return hashlib.sha256(value.encode(errors="replace")).digest()
