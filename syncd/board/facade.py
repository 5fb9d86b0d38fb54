"""What the board may ask of a node, and nothing else.

Owns: the questions, and what a metric sample is. Must not: know HTTP, or how a node is made.

Answers are plain maps and lists, ready for JSON, but for one that is kept as JSON (shapes.py has
their keys); failures are SyncdErrors, whose http_status and remedy reach the caller.
"""

import types
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Protocol

Plain = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Sample:
    """One number for /metrics.

    name: starts with syncd_, ends in its base unit, and in _total if it only grows.
    kind: "gauge" or "counter". labels: never a file's or a roll's name.
    """

    name: str
    value: float
    help: str
    kind: str = "gauge"
    labels: Mapping[str, str] = field(default_factory=dict)


class NodeFacade(Protocol):
    """One running node. A text names a roll: its name, DAY/ROLL, its id or the start of it.

    Whatever takes one raises RollUnknownError or RollAmbiguousError.
    """

    async def rolls(self) -> bytes:
        """Return {"rolls": [every roll, in the order in which they go]}, as JSON: it is kept so."""

    async def roll(self, text: str) -> Plain:
        """Return one roll with its history and destinations."""

    async def rush(self, text: str) -> None:
        """Let the roll overtake all others."""

    async def set_order(
        self,
        text: str,
        rank: int | None = None,
        needed_by_utc_ms: int | types.EllipsisType | None = ...,
    ) -> None:
        """Give the roll another place; what is left out stays as it is."""

    async def pause(self, text: str | None) -> None:
        """Let the roll, or with None everything, wait."""

    async def go(self, text: str | None) -> int:
        """Let the roll, or everything, go on; a held roll is tried again.

        Returns how many notices, that could not be told, are tried again, too.
        """

    async def peers(self) -> Plain:
        """Return {"own": …, "peers": […]}."""

    async def show_code(self) -> Plain:
        """Show a new pairing code: "code", "expires_at", and what code_shown() gives."""

    async def code_shown(self, number: int, wait_s: float) -> Plain:
        """Return {"id", "state", "tries_left", "wrong", "peer", "problem", "remedy"} of a code.

        state: open, paired, failed, expired, spent or closed; returned once anything has changed,
        or after wait_s. Whoever shows the code asks again at once: it is good only while somebody
        does. wrong: "name", "fingerprint", "roles" and "address" of the box that typed a wrong one
        last, as it says; peer: the first three of the one that typed it.
        """

    async def hide_code(self, number: int) -> Plain:
        """Show a code no longer; the answer is as in code_shown()."""

    async def type_code(self, code: str, with_: str) -> Plain:
        """Pair with the box that shows code; return {"peer": …}.

        with_: its name or address; "": the only one that says that it shows a code.
        """

    async def forget_peer(self, text: str) -> Plain:
        """Trust a paired box no longer; return its "name" and "fingerprint".

        text: its name, its fingerprint or the start of that.
        """

    async def measure(self, seconds: float, total_bytes: int) -> Plain:
        """Begin to measure a hand-off, each part for so long; the answer is as in measured()."""

    async def measured(self, number: int, wait_s: float) -> Plain:
        """Return how far a measuring is, once that has changed or after wait_s.

        {"id", "state", "ok", "doing", "from", "to", "stages", "narrowest", "estimate", "warnings",
        "cable", "problem", "remedy"}; state: measuring, done or failed. Who does not ask for some
        seconds ends it.
        """

    async def measure_no_more(self, number: int) -> Plain:
        """End a measuring; the answer is as in measured()."""

    async def fetch(self, text: str, to: str) -> Plain:
        """Begin to fetch a roll of a peer into the folder to; the answer is as in fetches()."""

    async def fetches(self) -> list[Plain]:
        """Return what was asked for, newest last."""

    async def events_after(self, seq: int, limit: int) -> list[Plain]:
        """Return the events after number seq, oldest first, at most limit."""

    async def last_seq(self) -> int:
        """Return the number of the newest event, 0 if there was none."""

    async def oldest_seq(self) -> int:
        """Return the number of the oldest event kept."""

    async def wait_for_events(self, seq: int, timeout_s: float) -> None:
        """Return when there is an event after seq, or after timeout_s."""

    async def status(self) -> Plain:
        """Return {"node", "roles", "version", "uptime_s", "paused", "checks": […]}."""

    async def metrics(self) -> list[Sample]:
        """Return what can be counted or measured now."""
