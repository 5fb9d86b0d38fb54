"""Who has asked us something, and when: how the answering end knows that a peer lives.

Owns: the time of each peer's last question. Must not: ask anybody; a Pulse does, where we dial.
"""

from dataclasses import dataclass
from typing import Any

from syncd.limits import DEAD_AFTER_S
from syncd.ports import Clock
from syncd.wire.messages import Hello


@dataclass(slots=True)
class _Caller:
    heard_s: float
    storage_wait_s: float = 0.0


class Callers:
    """The peers that have asked since this box started. Safe to read from any thread."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._callers: dict[str, _Caller] = {}

    def note(self, peer: str, question: Any) -> None:
        """Take note of a question; a greeting also tells how the peer's storage is."""
        now_s = self._clock.monotonic_s()
        caller = self._callers.setdefault(peer, _Caller(now_s))
        caller.heard_s = now_s
        if isinstance(question, Hello):
            caller.storage_wait_s = question.storage_wait_s

    def forget(self, peer: str) -> None:
        """Know nothing of a peer that is trusted no longer."""
        self._callers.pop(peer, None)

    def names(self) -> tuple[str, ...]:
        """Return everybody who has ever asked."""
        return tuple(self._callers)

    def silent_s(self, peer: str) -> float:
        """Return how long ago a peer asked; infinite if it never did."""
        caller = self._callers.get(peer)
        return float("inf") if caller is None else self._clock.monotonic_s() - caller.heard_s

    def is_heard(self, peer: str) -> bool:
        """Tell whether a peer lives, as far as is known."""
        return self.silent_s(peer) <= DEAD_AFTER_S

    def waits_for_storage(self, peer: str) -> bool:
        """Tell whether a peer has said that its storage does not write, and still lives."""
        caller = self._callers.get(peer)
        return caller is not None and self.is_heard(peer) and caller.storage_wait_s > 0
