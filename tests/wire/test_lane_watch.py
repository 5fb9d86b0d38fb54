"""Which open lanes have to end, and which only wait."""

import asyncio
from contextlib import ExitStack

import pytest

from syncd.errors import LinkLostError
from syncd.limits import DEAD_AFTER_S, STORAGE_SLOW_AFTER_S
from syncd.wire.frames import Conversation, Role
from syncd.wire.keys import LaneKeys
from syncd.wire.lane_talk import Talk
from syncd.wire.lane_watch import LaneState, LaneWatch, never
from tests.storage.rig import StillClock
from tests.wire.memory_link import MemoryLink


class Watched:
    """A watch, its clock, and lanes that ride as long as the test."""

    def __init__(self, stack: ExitStack) -> None:
        self.clock = StillClock()
        self.watch = LaneWatch(self.clock)
        self._stack = stack

    def ride(
        self, peer: str, purpose: str = "send", session: int = 1, *, excused: bool = False
    ) -> tuple[MemoryLink, LaneState]:
        """Let one more lane ride."""
        link = MemoryLink()
        riding = self.watch.riding(
            link, peer=peer, purpose=purpose, session=session, excused=lambda: excused
        )
        return link, self._stack.enter_context(riding)


def test_the_lanes_of_one_peer_end_and_those_of_others_stay() -> None:
    """A peer that is dead, or not trusted any more, takes nobody with it."""
    with ExitStack() as stack:
        watched = Watched(stack)
        gone = [watched.ride("offload-1")[0], watched.ride("offload-1", "fetch")[0]]
        other, _ = watched.ride("edit-1", "fetch")
        watched.watch.end_peer("offload-1")
        assert [link.is_closed for link in (*gone, other)] == [True, True, False]


def test_a_new_session_of_a_peer_ends_what_is_left_of_its_older_ones() -> None:
    """Of the same purpose: editorial may fetch while its box hands over, too."""
    with ExitStack() as stack:
        watched = Watched(stack)
        old, _ = watched.ride("offload-1", session=1)
        fetching, _ = watched.ride("offload-1", "fetch", session=1)
        new, _ = watched.ride("offload-1", session=2)
        watched.watch.end_older("offload-1", "send", 2)
        assert [link.is_closed for link in (old, fetching, new)] == [True, False, False]


@pytest.mark.parametrize(
    ("waited_s", "excused", "ends"),
    [(DEAD_AFTER_S, False, False), (DEAD_AFTER_S + 1, False, True), (600.0, True, False)],
    ids=["not for long", "for too long", "for the peer's disk"],
)
def test_a_lane_whose_peer_takes_nothing_ends_unless_its_storage_is_slow(
    waited_s: float, excused: bool, ends: bool
) -> None:
    """No socket can tell the two apart; the peer's greetings do."""
    with ExitStack() as stack:
        watched = Watched(stack)
        link, state = watched.ride("process-1", excused=excused)
        idle, _ = watched.ride("process-1")
        state.send_since_s = watched.clock.now_s
        watched.clock.now_s += waited_s
        watched.watch.end_untaken()
        assert (link.is_closed, idle.is_closed) == (ends, False)


def test_a_lane_that_waited_for_the_peers_disk_gets_its_time_afterwards() -> None:
    """The word that the storage writes again may be here before the first byte is taken."""
    with ExitStack() as stack:
        watched = Watched(stack)
        link, state = watched.ride("process-1", excused=True)
        state.send_since_s = watched.clock.now_s
        watched.clock.now_s += 600.0
        watched.watch.end_untaken()
        state.excused = never
        watched.clock.now_s += DEAD_AFTER_S
        watched.watch.end_untaken()
        assert not link.is_closed
        watched.clock.now_s += 1.0
        watched.watch.end_untaken()
        assert link.is_closed


def test_the_storage_is_slow_when_the_lane_that_waits_longest_says_so() -> None:
    """A moment is no news; and a lane that has ended waits for nothing."""
    with ExitStack() as stack:
        watched = Watched(stack)
        _, state = watched.ride("offload-1")
        watched.ride("offload-1")
        state.storage_since_s = watched.clock.now_s
        watched.clock.now_s += STORAGE_SLOW_AFTER_S - 1
        assert watched.watch.storage_wait_s() == 0
        watched.clock.now_s += 2
        assert watched.watch.storage_wait_s() == STORAGE_SLOW_AFTER_S + 1
    assert watched.watch.storage_wait_s() == 0


def test_a_lane_that_heard_nothing_while_the_peers_disk_stood_is_heard_out() -> None:
    """A lane that is woken just then has had no time to hear anything."""

    async def story() -> None:
        clock = StillClock()
        talked = Conversation(Role.GIVER, LaneKeys(bytes(16)), dialled=True)
        state = LaneState()
        talk = Talk(MemoryLink(), clock, talked, None, state)
        clock.now_s += 600.0
        state.excused_s = clock.now_s
        clock.now_s += DEAD_AFTER_S
        assert await talk.hear(0.0) is None
        clock.now_s += 1.0
        with pytest.raises(LinkLostError, match="nothing was heard"):
            await talk.hear(0.0)

    asyncio.run(story())
