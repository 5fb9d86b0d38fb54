"""The open lanes of one end: what each waits for, and which of them have to end.

Owns: telling a storage that is slow from a peer that is gone. A lane in its thread cannot: it is
blocked either way. So it says what it waits for, and from the event loop links are closed.
Must not: open a lane, or know what it carries. Safe from any thread.
"""

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from syncd.limits import DEAD_AFTER_S, STORAGE_SLOW_AFTER_S
from syncd.ports import Clock, Link


def never() -> bool:
    """Excuse nothing."""
    return False


@dataclass(slots=True)
class LaneState:
    """What a lane does just now; written by its own thread, read from anywhere.

    excused: tells that the other end has said that its storage does not write, so that silence and
    an untaken send mean nothing. excused_s: when it last did; what was silent until then has had no
    time yet to move. moved_s: when bytes last came, or bytes of a parcel went.
    send_since_s, storage_since_s: since when it waits for its peer to take bytes, or for our own
    storage to write them; None if it does not.
    """

    excused: Callable[[], bool] = never
    excused_s: float = float("-inf")
    moved_s: float = float("-inf")
    send_since_s: float | None = None
    storage_since_s: float | None = None


@dataclass(frozen=True, slots=True)
class _Riding:
    link: Link
    peer: str
    purpose: str
    session: int
    state: LaneState = field(compare=False)


class LaneWatch:
    """All lanes that ride now."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._riding: list[_Riding] = []

    @contextmanager
    def riding(
        self,
        link: Link,
        *,
        peer: str = "",
        purpose: str = "",
        session: int = 0,
        excused: Callable[[], bool] = never,
    ) -> Iterator[LaneState]:
        """Watch a lane while it is used; gives the state that it writes."""
        each = _Riding(link, peer, purpose, session, LaneState(excused, self._clock.monotonic_s()))
        with self._lock:
            self._riding.append(each)
        try:
            yield each.state
        finally:
            with self._lock:
                self._riding.remove(each)

    def moved_s(self) -> float:
        """Return when anything last moved on any lane."""
        return max((each.state.moved_s for each in self._now()), default=float("-inf"))

    def storage_wait_s(self) -> float:
        """Return for how long the lane that waits longest has waited for our storage.

        0 if none does, or for no longer than every disk takes now and then.
        """
        now_s = self._clock.monotonic_s()
        since = [each.state.storage_since_s for each in self._now()]
        longest_s = max((now_s - at_s for at_s in since if at_s is not None), default=0.0)
        return longest_s if longest_s >= STORAGE_SLOW_AFTER_S else 0.0

    def rides(self, purpose: str) -> bool:
        """Tell whether any lane rides for this."""
        return any(each.purpose == purpose for each in self._now())

    def end_untaken(self) -> None:
        """Close the lanes whose peer takes nothing, unless it has said why."""
        now_s = self._clock.monotonic_s()
        for each in self._now():
            state, since_s = each.state, each.state.send_since_s
            if state.excused():
                state.excused_s = now_s
            elif since_s is not None and now_s - max(since_s, state.excused_s) > DEAD_AFTER_S:
                each.link.close()

    def end_peer(self, peer: str) -> None:
        """Close every lane of a peer."""
        for each in self._now():
            if each.peer == peer:
                each.link.close()

    def end_older(self, peer: str, purpose: str, session: int) -> None:
        """Close what is left of a peer's earlier sessions: it has given them up."""
        for each in self._now():
            if (each.peer, each.purpose) == (peer, purpose) and each.session != session:
                each.link.close()

    def _now(self) -> list[_Riding]:
        with self._lock:
            return list(self._riding)
