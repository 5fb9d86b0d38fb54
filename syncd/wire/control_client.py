"""The control plane, asking side: questions to one paired peer.

Owns: timeouts, and what a failure is called: PeerUnreachableError is worth another try, and
PeerRefusedError is an answer. Must not: retry; whoever asks knows whether it still wants to.

In TLS 1.3 the dialling side's handshake succeeds even if its certificate is then turned down, so
"connected" here means that a whole reply has been read.

A connection that was open while the cable was out may live and stay silent for as long again: TCP
repeats what was lost ever more rarely. So greetings have a connection of their own, a new one after
each that was not answered in time; and after that no other question goes over a connection of
before. Questions that wait on one are left to whoever asked.
"""

import asyncio
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import aiohttp

from syncd.errors import PeerRefusedError, PeerUnreachableError
from syncd.limits import CONTROL_BODY_BYTES_MAX, DEAD_AFTER_S, GREETING_ANSWER_S, MIB
from syncd.ports import Clock
from syncd.wire.dial import PeerConnector
from syncd.wire.fields import BadMessage
from syncd.wire.gate import MEDIA_TYPE
from syncd.wire.identity import Identity
from syncd.wire.messages import (
    ANSWERS,
    QUESTION_NAMES,
    Hello,
    Message,
    Offer,
    Refusal,
    Tidings,
    pack,
    unpack,
)
from syncd.wire.peers import Address, address_text

# Only the greeting, which is the heartbeat, has to be quick; an offer may write a long inventory.
ANSWER_TIMEOUT_S = 60.0
CONNECTING_TIMEOUT_S = 10.0
# What a peer that answered before and is stopped looks like from here.
_ENDED = (aiohttp.ServerDisconnectedError, ConnectionResetError)
_BODY_MAX = f"{CONTROL_BODY_BYTES_MAX // MIB} MiB"
SAME_VERSION = "See what `syncd --version` says on both boxes, and run the same version on both."
TOO_MANY_FOLDERS = (
    "An offer names every empty folder of its roll: take those that are not needed out of it, or "
    "hand it over as several rolls."
)
URL = "https://peer.invalid/peer/"  # the name is never looked up: see PeerConnector


class PeerClient:
    """Implements ports.PeerCalls. Made and used on the running loop; close() it.

    addresses: where the peer may be; asked for anew at each new connection.
    heard: called with the wall time after each reply that was read.
    seen_end: called with the time at which the peer's certificate ends, at each new connection.
    address: host and port that last replied, or None if none has.
    """

    def __init__(
        self,
        name: str,
        addresses: Callable[[], Sequence[Address]],
        identity: Identity,
        fingerprint: str,
        clock: Clock,
        *,
        heard: Callable[[int], None] | None = None,
        seen_end: Callable[[int | None], None] | None = None,
    ) -> None:
        self.address: Address | None = None
        self._name = name
        self._own_fingerprint = identity.fingerprint
        self._clock = clock
        self._heard = heard
        self._connector = partial(PeerConnector, name, addresses, identity, fingerprint, seen_end)
        self._greeting = _Way(self._connector())
        self._asking = _Way(self._connector())
        self._retired: set[_Way] = set()

    async def ask(self, question: Message) -> Any:
        """Send question and return its answer.

        Raises PeerUnreachableError (try again later) or PeerRefusedError.
        """
        way = self._greeting if isinstance(question, Hello) else self._asking
        way.uses += 1
        try:
            return await self._ask(way, question)
        except PeerUnreachableError:
            if way is self._greeting and self._asking.connector.last_address is not None:
                self._retired.add(self._asking)
                self._asking = _Way(self._connector())
            raise
        finally:
            way.uses -= 1
            await self._close_retired()

    async def _ask(self, way: "_Way", question: Message) -> Any:
        limit_s = answer_limit_s(question)
        asked = self._packed(question)
        try:
            async with asyncio.timeout(CONNECTING_TIMEOUT_S + limit_s):
                status, body = await _exchange(way.session, question, asked, limit_s)
        except TimeoutError as error:
            what = f"did not answer {QUESTION_NAMES[type(question)]} in {limit_s:.0f} s"
            raise self._lost(way, what) from error
        except _TooLargeError as error:
            raise PeerUnreachableError(
                f"{self._where(way)} answered {QUESTION_NAMES[type(question)]} with more than "
                f"{_BODY_MAX}, which was not read.",
                remedy=SAME_VERSION,
            ) from error
        except (aiohttp.ClientError, OSError) as error:
            if self.address is not None and isinstance(error, _ENDED):
                raise PeerUnreachableError(
                    f"{self._where(way)} ended the connection.",
                    remedy="It was stopped, perhaps; work goes on by itself once it runs.",
                ) from error
            what = f"cut the connection before it answered ({_reason(error)})"
            raise self._lost(way, what) from error
        return self._understand(way, question, status, body)

    def _packed(self, question: Message) -> bytes:
        """Return the body to send. Raises PeerRefusedError: nobody takes a larger one."""
        try:
            return pack(question)
        except BadMessage as error:
            name = QUESTION_NAMES[type(question)]
            raise PeerRefusedError(
                f"{self._name} cannot be asked {name}, which may have {_BODY_MAX}: {error}.",
                remedy=TOO_MANY_FOLDERS if isinstance(question, Offer) else SAME_VERSION,
            ) from error

    async def close(self) -> None:
        """End all connections; questions that still wait end with PeerUnreachableError."""
        self.address = None
        for way in (self._greeting, self._asking, *self._retired):
            await way.session.close()
        self._retired.clear()

    async def _close_retired(self) -> None:
        for way in [way for way in self._retired if way.uses == 0]:
            self._retired.discard(way)
            await way.session.close()

    def _understand(self, way: "_Way", question: Message, status: int, body: bytes) -> Message:
        try:
            if status == 200:
                answer = unpack(ANSWERS[type(question)], body)
                self._replied(way)
                return answer
            refusal = unpack(Refusal, body)
        except BadMessage as error:
            what = f"answered with status {status} and no message that we know"
            raise self._lost(way, what) from error
        self._replied(way)
        if status >= 500:  # it would answer if it could
            raise PeerUnreachableError(
                f"{self._name} cannot answer now: {refusal.message}", remedy=refusal.remedy
            )
        refused = PeerRefusedError(
            f"{self._name} refuses: {refusal.message}", remedy=refusal.remedy
        )
        refused.code = refusal.code
        raise refused

    def _replied(self, way: "_Way") -> None:
        self.address = way.connector.last_address
        if self._heard is not None:
            self._heard(self._clock.utc_ms())

    def _where(self, way: "_Way") -> str:
        last = way.connector.last_address
        return self._name if last is None else f"{self._name} at {address_text(last)}"

    def _lost(self, way: "_Way", what: str) -> PeerUnreachableError:
        return PeerUnreachableError(
            f"{self._where(way)} {what}.",
            remedy="Check that syncd runs there, that it is the same version, and that "
            f"its clock is right; our fingerprint is {self._own_fingerprint}.",
        )


class _Way:
    """Some connections to the peer, and how many questions are on them."""

    def __init__(self, connector: PeerConnector) -> None:
        self.uses = 0
        self.connector = connector
        self.session = aiohttp.ClientSession(
            connector=connector,
            timeout=aiohttp.ClientTimeout(total=None),
            auto_decompress=False,
            skip_auto_headers=("User-Agent", "Accept", "Accept-Encoding"),
        )


class _TooLargeError(Exception):
    """A reply is larger than any may be; nothing of it was read."""


async def _exchange(
    session: aiohttp.ClientSession, question: Message, asked: bytes, limit_s: float
) -> tuple[int, bytes]:
    """Send the question, packed as asked, and read the whole reply. Raises _TooLargeError."""
    async with session.post(
        URL + QUESTION_NAMES[type(question)],
        data=asked,
        headers={"Content-Type": MEDIA_TYPE},
        timeout=aiohttp.ClientTimeout(total=None, sock_read=limit_s),
        allow_redirects=False,
    ) as reply:
        length = reply.content_length
        if length is None:
            raise aiohttp.ClientPayloadError("the reply does not say how long it is")
        if length > CONTROL_BODY_BYTES_MAX:
            raise _TooLargeError
        return reply.status, await reply.read()


def answer_limit_s(question: Message) -> float:
    """Return how long the answer to question may take to come."""
    match question:
        case Hello():
            return GREETING_ANSWER_S
        case Tidings():
            return question.wait_s + DEAD_AFTER_S
    return ANSWER_TIMEOUT_S


def _reason(error: Exception) -> str:
    return str(error) or type(error).__name__
