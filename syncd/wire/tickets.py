"""Tickets: how a connection on the bulk port shows which paired peer it belongs to.

Owns: what was issued over the control plane and not yet shown on a lane. A ticket is good once,
for a short time, and carries the key of its lane. Must not: know sockets or what a lane does.
"""

import threading
from dataclasses import dataclass

from syncd.errors import PeerRefusedError
from syncd.limits import TICKET_VALID_S, TICKETS_MAX
from syncd.ports import Chance, Clock
from syncd.wire.messages import PeerIdentity
from syncd.wire.seal import KEY_BYTES

TICKET_BYTES = 16


@dataclass(frozen=True, slots=True)
class Redeemed:
    """What a ticket stands for: who may use the lane, for what, under which key."""

    peer: PeerIdentity
    purpose: str
    key: bytes
    session: int = 0


class Tickets:
    """Issued on the event loop, redeemed in the threads of lanes."""

    def __init__(self, chance: Chance, clock: Clock) -> None:
        self._chance = chance
        self._clock = clock
        self._lock = threading.Lock()
        self._issued: dict[bytes, tuple[float, Redeemed]] = {}

    def issue(self, peer: PeerIdentity, purpose: str, session: int = 0) -> tuple[bytes, bytes]:
        """Return a new ticket and its lane's key. Raises PeerRefusedError if too many are open."""
        ticket = self._chance.random_bytes(TICKET_BYTES)
        key = self._chance.random_bytes(KEY_BYTES)
        now_s = self._clock.monotonic_s()
        with self._lock:
            self._drop_expired(now_s)
            if len(self._issued) >= TICKETS_MAX:
                raise PeerRefusedError(
                    f"{TICKETS_MAX} lanes have been asked for and not opened.",
                    remedy="Check that the bulk port can be reached from the other box.",
                )
            redeemed = Redeemed(peer, purpose, key, session)
            self._issued[ticket] = (now_s + TICKET_VALID_S, redeemed)
        return ticket, key

    def redeem(self, ticket: bytes) -> Redeemed:
        """Return what ticket stands for, once. Raises PeerRefusedError."""
        with self._lock:
            self._drop_expired(self._clock.monotonic_s())
            _, redeemed = self._issued.pop(ticket, (0.0, None))
        if redeemed is None:
            raise PeerRefusedError(
                "A lane showed a ticket that is unknown, used or too old.",
                remedy="Nothing to do: the peer asks for another one.",
            )
        return redeemed

    def revoke(self, fingerprint: str) -> None:
        """Let no ticket of a peer that is trusted no longer open a lane."""
        with self._lock:
            for ticket, (_, redeemed) in tuple(self._issued.items()):
                if redeemed.peer.fingerprint == fingerprint:
                    del self._issued[ticket]

    def _drop_expired(self, now_s: float) -> None:
        """Tickets expire in the order in which they were issued."""
        while self._issued:
            ticket, (expires_s, _) = next(iter(self._issued.items()))
            if expires_s > now_s:
                return
            del self._issued[ticket]
