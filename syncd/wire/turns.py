"""How many questions of one peer are answered at a time; the others wait in line, unread.

Owns: the lines of each peer. Whoever asks without end so takes its own turns only, and neither the
threads nor the memory that others need. Greetings, long polls and tickets have lines of their own:
none of them may wait for an offer that a slow storage keeps.
Must not: refuse anybody; a connection that waits is one of the few that a peer may hold (gate.py).
"""

import asyncio

from syncd.limits import (
    ANSWERS_PER_PEER_MAX,
    GREETINGS_PER_PEER_MAX,
    LANES_MAX,
    POLLS_PER_PEER_MAX,
)
from syncd.wire.messages import Hello, Message, OpenLane, Tidings

_APART: dict[type[Message], int] = {
    Hello: GREETINGS_PER_PEER_MAX,
    Tidings: POLLS_PER_PEER_MAX,
    OpenLane: LANES_MAX,
}


class Turns:
    """The lines of all peers, on the event loop."""

    def __init__(self) -> None:
        self._lines: dict[str, dict[type[Message], asyncio.Semaphore]] = {}

    def line(self, fingerprint: str, kind: type[Message]) -> asyncio.Semaphore:
        """Return the line in which a peer's question of this kind waits for its turn."""
        lines = self._lines.setdefault(fingerprint, {})
        apart = kind if kind in _APART else Message
        if apart not in lines:
            lines[apart] = asyncio.Semaphore(_APART.get(apart, ANSWERS_PER_PEER_MAX))
        return lines[apart]

    def forget(self, fingerprint: str) -> None:
        """Know nothing of a peer that is trusted no longer; who waits still gets its refusal."""
        self._lines.pop(fingerprint, None)
