"""When a peer counts as heard, missed, dead and back; on simulated time."""

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any

import pytest

from syncd.errors import PeerRefusedError, PeerUnreachableError
from syncd.limits import DEAD_AFTER_S, HEARTBEAT_S, RETRY_BASE_S, RETRY_CAP_S
from syncd.ports import Ports
from syncd.wire.messages import Hello, HelloAnswer, Listing, ListingAnswer
from syncd.wire.pulse import Pulse
from tests.faults.virtual_time import run_simulated

HELLO = Hello(node="offload-1", roles=("offload",), version="1", utc_ms=1)
ANSWER = HelloAnswer(node="process-1", roles=("processing",), version="1", utc_ms=1, bulk_port=8841)
GONE = PeerUnreachableError("process-1 cannot be reached.", remedy="Check the cable.")
NO = PeerRefusedError("process-1 refuses.", remedy="Pair the boxes.")


class Clock:
    """The loop's own time."""

    def monotonic_s(self) -> float:
        return asyncio.get_running_loop().time()

    def utc_ms(self) -> int:
        return int(self.monotonic_s() * 1000)

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


class Chance:
    """As late as jitter may be."""

    def random_bytes(self, count: int) -> bytes:
        return bytes(count)

    def uniform(self, low: float, high: float) -> float:
        del low
        return high


class Peer:
    """Answers greetings, or fails, or hangs, as a test likes; notes when it was asked."""

    def __init__(self) -> None:
        self.error: Exception | None = None
        self.hangs = False
        self.asked_s: list[float] = []

    async def ask(self, question: Any) -> Any:
        if not isinstance(question, Hello):
            return ListingAnswer(rolls=())
        self.asked_s.append(asyncio.get_running_loop().time())
        if self.hangs:
            await asyncio.Event().wait()
        if self.error is not None:
            raise self.error
        return ANSWER

    async def close(self) -> None: ...


def run(story: Callable[[Pulse, Peer], Awaitable[None]]) -> None:
    """Run a story beside the pulse."""

    async def both() -> None:
        peer = Peer()
        ports: Any = Ports(clock=Clock(), chance=Chance(), disk=None, lines=None)  # type: ignore[arg-type]
        pulse = Pulse("process-1", peer, lambda: HELLO, ports)
        beating = asyncio.create_task(pulse.run())
        try:
            await story(pulse, peer)
        finally:
            beating.cancel()
            await asyncio.wait({beating})

    run_simulated(both(), limit_s=10_000)


async def ends(pulse: Pulse, moved_s: Callable[[], float]) -> tuple[float, PeerUnreachableError]:
    """Wait until what was begun now is to be given up; return after how long, and why."""
    began_s = asyncio.get_running_loop().time()
    with pytest.raises(PeerUnreachableError) as caught:
        await pulse.until_broken(moved_s)
    return asyncio.get_running_loop().time() - began_s, caught.value


def never() -> float:
    """Say that nothing ever moved."""
    return float("-inf")


@pytest.mark.parametrize("hangs", [True, False])
def test_a_peer_that_falls_silent_is_dead_within_ten_seconds(hangs: bool) -> None:
    """Whether it refuses connections or leaves every greeting unanswered."""

    async def story(pulse: Pulse, peer: Peer) -> None:
        await pulse.wait_heard()
        await asyncio.sleep(HEARTBEAT_S / 2)
        peer.hangs, peer.error = hangs, GONE
        after_s, error = await ends(pulse, never)
        assert DEAD_AFTER_S - HEARTBEAT_S <= after_s <= 10
        assert not pulse.is_heard
        assert error.remedy

    run(story)


def test_tries_follow_each_other_soon_and_ever_less_often() -> None:
    """At once after the first miss, then with more room; never rarer than the cap."""

    async def story(pulse: Pulse, peer: Peer) -> None:
        await pulse.wait_heard()
        peer.error = GONE
        await asyncio.sleep(120)
        pauses = [b - a for a, b in zip(peer.asked_s[1:], peer.asked_s[2:], strict=False)]
        assert pauses[0] <= 2 * RETRY_BASE_S + 0.01
        assert pauses == sorted(pauses)
        assert max(pauses) == pytest.approx(RETRY_CAP_S)

    run(story)


def test_news_of_the_network_end_the_wait_and_a_try_that_hangs() -> None:
    """A nudge while the peer is silent asks at once; while it is heard, it changes nothing."""

    async def story(pulse: Pulse, peer: Peer) -> None:
        await pulse.wait_heard()
        asked = len(peer.asked_s)
        pulse.nudge_if_silent()
        await asyncio.sleep(0.01)
        assert len(peer.asked_s) == asked
        peer.hangs = True
        await ends(pulse, never)
        asked, peer.hangs = len(peer.asked_s), False
        pulse.nudge_if_silent()
        await asyncio.sleep(2 * RETRY_BASE_S)
        assert len(peer.asked_s) > asked
        assert pulse.is_heard

    run(story)


def test_connections_that_stay_silent_after_a_short_break_are_given_up() -> None:
    """Heard again after a miss, with nothing moving on what was open: TCP would wait as long."""

    async def story(pulse: Pulse, peer: Peer) -> None:
        await pulse.wait_heard()
        breaking = asyncio.create_task(ends(pulse, never))
        await asyncio.sleep(10)
        peer.error = GONE
        await asyncio.sleep(4)
        assert not breaking.done(), "four seconds are no death"
        peer.error = None
        after_s, error = await breaking
        assert 14 <= after_s <= 14 + RETRY_CAP_S + 0.1
        assert "fell silent" in error.problem

    run(story)


def test_connections_that_move_outlive_a_greeting_that_was_missed() -> None:
    """A peer too busy to greet in time is not cut off; any reply or parcel shows that it lives."""

    async def story(pulse: Pulse, peer: Peer) -> None:
        await pulse.wait_heard()
        clock = Clock()
        breaking = asyncio.create_task(ends(pulse, clock.monotonic_s))
        replying = asyncio.create_task(ends(pulse, never))
        for _ in range(20):
            peer.error = None if peer.error else GONE
            await asyncio.sleep(2.5)
            assert await pulse.ask(Listing()) == ListingAnswer(rolls=())
        assert not breaking.done()
        assert pulse.is_heard
        breaking.cancel()
        replying.cancel()
        await asyncio.wait({breaking, replying})

    run(story)


def test_a_refusal_is_told_and_ends_by_itself() -> None:
    """Whoever waits for the peer hears of it; once the boxes are paired, it goes on."""

    async def story(pulse: Pulse, peer: Peer) -> None:
        peer.error = NO
        await asyncio.sleep(1)
        with pytest.raises(PeerRefusedError):
            await pulse.wait_heard()
        peer.error = None
        await asyncio.sleep(RETRY_CAP_S + 0.1)
        await pulse.wait_heard()
        assert pulse.problem is None

    run(story)


def test_after_a_sleep_nothing_of_before_is_believed() -> None:
    """The connections of before a suspend are given up as soon as the peer is heard anew."""

    async def story(pulse: Pulse, peer: Peer) -> None:
        await pulse.wait_heard()
        breaking = asyncio.create_task(ends(pulse, never))
        await asyncio.sleep(5)
        asked = len(peer.asked_s)
        pulse.start_afresh()
        after_s, _ = await breaking
        assert after_s <= 5 + 2 * RETRY_BASE_S
        assert len(peer.asked_s) > asked

    run(story)
