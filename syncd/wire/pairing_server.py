"""Strangers who ask to pair, while a code is shown: few at once, for moments, a few hundred bytes.

Owns: the exchanges under way on the control port, their number and time, and what is logged.
Must not: know what trusting a box means (keep does), or answer while no code is shown.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable
from typing import cast

from syncd.errors import NotPossibleError, SyncdError
from syncd.ports import Clock
from syncd.wire.fields import BadMessage
from syncd.wire.gate import OneAnswer
from syncd.wire.pairing import Party, Showing, Turn, Turned, Window, WindowState, frame
from syncd.wire.peers import Address

log = logging.getLogger(__name__)

EXCHANGES_MAX = 4
EXCHANGE_S = 10.0

Keep = Callable[[Party, Address], Awaitable[None]]


class PairingTalks:
    """Implements gate.Pairing. window: of the code that is shown, or None.

    wrong: who typed a wrong code last, and where; whoever shows another code forgets it.
    own: who we are. keep: trusts a box that has proved itself, or raises SyncdError.
    """

    def __init__(
        self,
        own: Callable[[], Party],
        clock: Clock,
        random_bytes: Callable[[int], bytes],
        keep: Keep,
    ) -> None:
        self.window: Window | None = None
        self.wrong: tuple[Party, str] | None = None
        self._own = own
        self._clock = clock
        self._random_bytes = random_bytes
        self._keep = keep
        self._open: set[_Talk] = set()
        self._keeping: set[asyncio.Task[None]] = set()

    @property
    def is_open(self) -> bool:
        """Whether a code is shown that is still good."""
        now_s = self._clock.monotonic_s()
        return self.window is not None and self.window.state(now_s) is WindowState.OPEN

    def meet(self, fingerprint: str, host: str) -> asyncio.Protocol | None:
        """Return who talks with a stranger that asks to pair; None: no code is shown."""
        window = self.window
        if window is None or not self.is_open:
            return None
        if len(self._open) >= EXCHANGES_MAX:
            return OneAnswer(frame(Turned(Turn.BUSY, window.tries_left)))
        showing = Showing(window, self._own(), fingerprint, self._random_bytes)
        return _Talk(self, showing, host)

    async def close(self) -> None:
        """End every exchange, and let what is being kept be kept."""
        self.window = None
        for talk in tuple(self._open):
            talk.abort()
        await asyncio.gather(*self._keeping, return_exceptions=True)

    # For the exchanges

    def begun(self, talk: "_Talk") -> None:
        self._open.add(talk)

    def ended(self, talk: "_Talk") -> None:
        self._open.discard(talk)

    def receive(self, talk: "_Talk", data: bytes) -> bytes | None:
        """Pass on what came. Raises BadMessage."""
        showing = talk.showing
        reply = showing.receive(data, self._clock.monotonic_s())
        if showing.wrong is not None and self.window is not None:
            self.wrong = showing.wrong, talk.host
            log.warning(
                "A wrong pairing code was typed at %s, on a box that calls itself %s (%s); "
                "the code bears %d more.",
                talk.host,
                showing.wrong.name,
                showing.wrong.fingerprint,
                self.window.tries_left,
            )
        if showing.proved is not None:
            task = asyncio.create_task(self._keep_and_tell(talk, showing.proved), name="pairing")
            self._keeping.add(task)
            task.add_done_callback(self._keeping.discard)
        return reply

    async def _keep_and_tell(self, talk: "_Talk", party: Party) -> None:
        try:
            await self._keep(party, (talk.host, party.control_port))
        except SyncdError as error:
            log.warning("%s typed the right code and is not paired: %s", party.name, error)
            is_name = isinstance(error, NotPossibleError)
            talk.finish(talk.showing.turn(Turn.NAME_TAKEN if is_name else Turn.NOT_KEPT))
        else:
            talk.finish(talk.showing.accept())


class _Talk(asyncio.Protocol):
    """One exchange on one connection."""

    def __init__(self, talks: PairingTalks, showing: Showing, host: str) -> None:
        self.showing = showing
        self.host = host
        self._talks = talks
        self._transport: asyncio.Transport | None = None
        self._timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)
        self._timer = asyncio.get_running_loop().call_later(EXCHANGE_S, self.abort)
        self._talks.begun(self)

    def data_received(self, data: bytes) -> None:
        try:
            reply = self._talks.receive(self, data)
        except BadMessage as error:
            log.debug("Pairing with %s ended: %s", self.host, error)  # as many as strangers like
            self.abort()
            return
        if reply is not None and self.showing.is_over:
            self.finish(reply)
        elif reply is not None and self._transport is not None:
            self._transport.write(reply)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002
        self._talks.ended(self)
        self._transport = None
        if self._timer is not None:
            self._timer.cancel()

    def finish(self, last: bytes) -> None:
        """Send the last bytes and hang up."""
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(last)
            self._transport.close()

    def abort(self) -> None:
        """Hang up now."""
        if self._transport is not None:
            self._transport.abort()
