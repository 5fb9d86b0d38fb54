"""Strangers who ask to pair, while a code is shown: few at once, for moments, a few hundred bytes.

Owns: the exchanges under way on the control port, their time, and what is logged.
Must not: know what trusting a box means (keep does), whose turn it is (pairing_line.py does), or
answer while no code is shown.
"""

import asyncio
import logging
from collections.abc import Awaitable, Callable
from typing import cast

from syncd.errors import NotPossibleError, SyncdError
from syncd.ports import Clock
from syncd.repeats import Repeats
from syncd.wire.fields import BadMessage
from syncd.wire.pairing import Party, Showing
from syncd.wire.pairing_code import Turn, Window, WindowState
from syncd.wire.pairing_frames import Turned, frame, is_introduction
from syncd.wire.pairing_line import Askers, PairingLine
from syncd.wire.peers import Address
from syncd.wire.porch import Guest

log = logging.getLogger(__name__)

SILENT_S = 2.0  # a box says who it is together with the end of its handshake
TURN_S = 5.0  # it waits for 8 s in all, and asks again
EXCHANGE_S = 10.0
ASKED_OFTEN = 3  # of one host, without a code: a broken link may be one or two

Keep = Callable[[Party, Address], Awaitable[None]]


class PairingTalks:
    """Implements gate.Pairing. window: of the code that is shown, or None.

    wrong: who typed a wrong code last, and where; askers: who asked and typed none. Whoever shows
    another code forgets both.
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
        self.askers = Askers()
        self.line = PairingLine(clock)
        self._own = own
        self._clock = clock
        self._random_bytes = random_bytes
        self._keep = keep
        self._repeats = Repeats(log, clock)
        self._turn: asyncio.TimerHandle | None = None
        self._keeping: set[asyncio.Task[None]] = set()

    @property
    def is_open(self) -> bool:
        """Whether a code is shown that is still good."""
        now_s = self._clock.monotonic_s()
        return self.window is not None and self.window.state(now_s) is WindowState.OPEN

    def show(self, window: Window) -> None:
        """Show another code."""
        self.window = window
        self.wrong = None
        self.askers = Askers()

    def meet(self, fingerprint: str, host: str) -> asyncio.Protocol | None:
        """Return who talks with a stranger that asks to pair; None: no code is shown."""
        window = self.window
        if window is None or not self.is_open:
            return None
        return _Talk(self, Showing(window, self._own(), fingerprint, self._random_bytes), host)

    async def close(self) -> None:
        """End every exchange, and let what is being kept be kept."""
        self.window = None
        self.line.end_all()
        if self._turn is not None:
            self._turn.cancel()
        await asyncio.gather(*self._keeping, return_exceptions=True)

    # For the exchanges

    def ask(self, talk: "_Talk") -> None:
        """Let a talk begin when it is its turn."""
        self.line.ask(talk.guest, talk.begin)
        self._wait_for_turn()

    def _wait_for_turn(self) -> None:
        """Have the next turn come, if anybody waits for one."""
        if self._turn is None and not self.line.is_empty:
            loop = asyncio.get_running_loop()
            self._turn = loop.call_later(self._turn_in_s(), self._next_turn)

    def _turn_in_s(self) -> float:
        if self.window is None or not self.is_open:
            return 0.0  # they only have to be told
        return self.window.next_exchange_in_s(self._clock.monotonic_s())

    def _next_turn(self) -> None:
        self._turn = None
        if self._turn_in_s() <= 0:
            self.line.next_turn()
        self._wait_for_turn()

    def ended(self, talk: "_Talk") -> None:
        """Count a talk no more, or otherwise if it had its chance to type a code."""
        self.line.leave(talk.guest)
        if not talk.had_its_chance:
            return
        if self.askers.note(talk.host) >= ASKED_OFTEN:
            text = f"{talk.host} asks to pair again and again, and types no code"
            self._repeats.trouble(f"asks {talk.guest.host}", text)

    def receive(self, talk: "_Talk", data: bytes) -> bytes | None:
        """Pass on what came. Raises BadMessage."""
        showing = talk.showing
        reply = showing.receive(data, self._clock.monotonic_s())
        if showing.is_over or showing.proved is not None:
            self.line.leave(talk.guest)  # it has typed: nobody pushes it out before its answer
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
    """One connection: silent at first, then waiting for its turn, then in an exchange."""

    def __init__(self, talks: PairingTalks, showing: Showing, host: str) -> None:
        self.showing = showing
        self.host = host
        self.guest = Guest(host, self.turn_away)
        self._talks = talks
        self._early: bytes | None = b""  # until its turn
        self._is_asking = False
        self._transport: asyncio.Transport | None = None
        self._timer: asyncio.TimerHandle | None = None

    @property
    def had_its_chance(self) -> bool:
        """Whether it was silent, or had its turn, and typed no code, right or wrong."""
        is_waiting = self._is_asking and self._early is not None
        showing = self.showing
        return not (is_waiting or showing.is_over or showing.proved is not None)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self._transport = cast("asyncio.Transport", transport)
        self.guest.is_gone = self._transport.is_closing
        self._end_after(SILENT_S, self.abort)
        self._talks.line.come(self.guest)

    def data_received(self, data: bytes) -> None:
        if self._early is None:
            self._take(self._pass_on, data)
        else:
            self._take(self._wait_with, self._early + data)

    def _take(self, what: Callable[[bytes], None], data: bytes) -> None:
        try:
            what(data)
        except BadMessage as error:
            log.debug("Pairing with %s ended: %s", self.host, error)  # as many as strangers like
            self.abort()

    def _wait_with(self, early: bytes) -> None:
        """Keep what came until it is this one's turn. Raises BadMessage."""
        self._early = early
        if is_introduction(early) and not self._is_asking:
            self._is_asking = True
            self._end_after(TURN_S, self.turn_away)
            self._talks.ask(self)

    def begin(self) -> None:
        """Take a turn."""
        early, self._early = self._early, None
        self._end_after(EXCHANGE_S, self.abort)
        assert early is not None, "a turn comes once"
        self._take(self._pass_on, early)

    def _pass_on(self, data: bytes) -> None:
        reply = self._talks.receive(self, data)
        if reply is not None and self.showing.is_over:
            self.finish(reply)
        elif reply is not None and self._transport is not None:
            self._transport.write(reply)

    def connection_lost(self, exc: Exception | None) -> None:  # noqa: ARG002
        self._talks.ended(self)
        self._transport = None
        if self._timer is not None:
            self._timer.cancel()

    def _end_after(self, seconds: float, end: Callable[[], None]) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = asyncio.get_running_loop().call_later(seconds, end)

    def turn_away(self) -> None:
        """Hang up for another's sake; one that has not had its turn is told to try again."""
        if self._transport is not None and self._early is not None:
            self._transport.write(frame(Turned(Turn.BUSY)))
        self.abort()

    def finish(self, last: bytes) -> None:
        """Send the last bytes and hang up."""
        if self._transport is not None and not self._transport.is_closing():
            self._transport.write(last)
            self._transport.close()

    def abort(self) -> None:
        """Hang up now."""
        self._talks.line.leave(self.guest)
        if self._transport is not None:
            self._transport.abort()
