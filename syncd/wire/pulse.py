"""Whether one peer can be heard: greetings, again and again, that do nothing else.

Owns: when a peer counts as present, as missed, as dead; when to try again, and how soon. Everybody
who works with that peer begins and ends by this. Must not: do I/O or read a clock; calls, clock and
chance are passed in.

One greeting without an answer in time is a miss; the next try follows at once, then with backoff
and full jitter. A peer that was not heard for DEAD_AFTER_S is dead. If it is heard after a miss,
the connections of before may be alive or not: TCP repeats lost data after as long again as the
break took. So whoever saw nothing move on them since the miss gives them up (until_broken()).
"""

import asyncio
from collections.abc import Callable
from typing import Any

from syncd.bell import Bell
from syncd.errors import PeerRefusedError, PeerUnreachableError, SyncdError
from syncd.limits import (
    CONNECT_TIMEOUT_S,
    DEAD_AFTER_S,
    GREETING_ANSWER_S,
    HEARTBEAT_S,
    RETRY_BASE_S,
    RETRY_CAP_S,
    TICK_S,
)
from syncd.ports import PeerCalls, Ports
from syncd.wire.messages import Hello, HelloAnswer

PAIR_REMEDY = "Run `syncd pair` on one of the two boxes, and type its code on the other."
# Of a pairing whose connection broke when only one of the two had kept it.
ONE_SIDED = "If `syncd peers` there does not list this box, it has not kept that: pair again."
# A last resort: the calls have limits of their own.
MOVES_WITHIN_S = 0.2  # what lives moves at once when the peer is heard
ATTEMPT_S = CONNECT_TIMEOUT_S + GREETING_ANSWER_S + 2.0


class Pulse:
    """Greets one peer until cancelled.

    wants_storage: whether this box needs the peer's storage.
    answer: the newest one. problem: why it is not heard, or None. heard_s: when it last was.
    """

    def __init__(
        self,
        peer: str,
        calls: PeerCalls,
        hello: Callable[[], Hello],
        ports: Ports,
        *,
        wants_storage: bool = False,
    ) -> None:
        self.peer = peer
        self.wants_storage = wants_storage
        self.answer: HelloAnswer | None = None
        self.problem: SyncdError | None = None
        self.heard_s = float("-inf")
        self.tries = 0
        self._calls = calls
        self._hello = hello
        self._ports = ports
        self._clock = ports.clock
        self._urge = Bell()
        self._replied_s = float("-inf")
        self._is_doubted = False
        self._missed_s: float | None = None
        self._returns = 0  # how often it was heard after a miss
        self._returned_from_s = float("-inf")
        self._changed = asyncio.Event()
        self._is_ended = False

    @property
    def is_heard(self) -> bool:
        """Whether the peer lives, as far as is known."""
        silent_s = self._clock.monotonic_s() - self.heard_s
        return silent_s <= DEAD_AFTER_S and not isinstance(self.problem, PeerRefusedError)

    def storage_wait_s(self) -> float:
        """Return for how long the peer's storage has written nothing, as it said; 0 if it does."""
        return self.answer.storage_wait_s if self.answer is not None and self.is_heard else 0.0

    def nudge_if_silent(self) -> None:
        """Try at once: there may be a way to it now; an attempt under way is given up."""
        if self._missed_s is not None or not self.is_heard:
            self._urge.ring()

    def start_afresh(self) -> None:
        """Try at once, and believe in no connection of before: the link was down, or we slept."""
        self._note_miss()
        self._urge.ring()

    async def run(self) -> None:
        """Greet until cancelled."""
        while True:
            began_s = self._clock.monotonic_s()
            pause_s = await self._greet()
            left_s = began_s + pause_s - self._clock.monotonic_s()
            await self._urge.wait(max(RETRY_BASE_S, left_s))

    async def ask(self, question: Any) -> Any:
        """Pass a question on; implements PeerCalls, and any reply shows that the peer lives."""
        if self._is_ended and self.problem is not None:
            raise self.problem
        answer = await self._calls.ask(question)
        self._replied_s = self.heard_s = self._clock.monotonic_s()
        return answer

    async def close(self) -> None:
        """Do nothing: the calls belong to whoever made them."""

    def end(self) -> None:
        """Refuse from now on whoever works with a peer that is trusted no longer."""
        self._is_ended = True
        self.problem = PeerRefusedError(
            f"{self.peer} is not paired with this box any more.", remedy=PAIR_REMEDY
        )
        self._tell()

    def doubt(self) -> None:
        """Greet at once, and count as heard only by that: a question could not be asked."""
        self._is_doubted = True
        self._urge.ring()

    async def wait_heard(self) -> None:
        """Return once the peer is heard. Raises PeerRefusedError when it refuses."""
        while self._is_doubted or not self.is_heard:
            if isinstance(self.problem, PeerRefusedError):
                raise self.problem
            await self._changed.wait()

    async def until_broken(self, moved_s: Callable[[], float]) -> None:
        """Return never. Raises PeerUnreachableError when what was begun before is to be given up.

        moved_s: when anything last moved on the connections that this is about.
        """
        returns = self._returns
        while True:
            if not self.is_heard:
                raise self.problem or self._silence()
            if self._returns != returns:
                returns = self._returns
                await self._clock.sleep(MOVES_WITHIN_S)
                if max(moved_s(), self._replied_s) <= self._returned_from_s:
                    raise PeerUnreachableError(
                        f"The connections to {self.peer} fell silent, and new ones do not.",
                        remedy="Nothing to do: they are opened anew.",
                    )
            await self._wait_change(TICK_S)

    async def _greet(self) -> float:
        """Ask once; return how long after its beginning the next attempt may begin."""
        self.tries += 1
        try:
            answer = await self._ask()
        except SyncdError as error:
            self._note_miss()
            self.problem = error
            if isinstance(error, PeerRefusedError):
                self.heard_s = self._clock.monotonic_s()
            cap_s = min(RETRY_CAP_S, RETRY_BASE_S * 2 ** min(self.tries, 10))
            pause_s = self._ports.chance.uniform(0.0, cap_s)
        else:
            if answer is None:
                return 0.0
            self._note_heard(answer)
            pause_s = HEARTBEAT_S
        self._tell()
        return pause_s

    async def _ask(self) -> HelloAnswer | None:
        """Greet; None if an urge ended the attempt, which then is no miss."""
        asking = asyncio.ensure_future(self._calls.ask(self._hello()))
        urged = asyncio.ensure_future(self._urge.wait(None))
        try:
            await asyncio.wait(
                {asking, urged}, timeout=ATTEMPT_S, return_when=asyncio.FIRST_COMPLETED
            )
            if asking.done():
                answer: HelloAnswer = asking.result()
                return answer
            if urged.done():
                self._urge.ring()  # for the wait that follows
                return None
            raise self._silence()
        finally:
            for task in (asking, urged):
                task.cancel()
            await asyncio.gather(asking, urged, return_exceptions=True)

    def _note_heard(self, answer: HelloAnswer) -> None:
        self.answer, self.problem, self.tries = answer, None, 0
        self._is_doubted = False
        self.heard_s = self._clock.monotonic_s()
        if self._missed_s is not None:
            self._returned_from_s, self._missed_s = self._missed_s, None
            self._returns += 1

    def _note_miss(self) -> None:
        if self._missed_s is None:
            self._missed_s = self._clock.monotonic_s()

    def _silence(self) -> PeerUnreachableError:
        return PeerUnreachableError(
            f"{self.peer} does not answer.", remedy="Check cable, address and firewall."
        )

    def _tell(self) -> None:
        self._changed.set()
        self._changed = asyncio.Event()

    async def _wait_change(self, timeout_s: float) -> None:
        try:
            async with asyncio.timeout(timeout_s):
                await self._changed.wait()
        except TimeoutError:
            return
