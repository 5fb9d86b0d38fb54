"""Tickets: how a connection on the bulk port shows which paired peer it belongs to.

Owns: what was issued over the control plane and not yet shown on a lane. A ticket is good once,
for a short time, for the peer that asked, from where it asks. Must not: know sockets or lanes.

- Whoever shows a ticket proves its key in the same frame (greeting.py). Without that nothing
  happens to it: an eavesdropper can neither use a ticket nor use it up.
- It is good from the hosts at which its peer has shown its certificate within HOST_SEEN_S; mostly
  that is one. A box on two networks greets over one of them and may dial its lanes over the other:
  both then count, because it has proved itself on both. What is one host: hosts.py.
- With the key proved, from elsewhere, the ticket is gone: somebody else has the key.
"""

import hmac
import threading
from dataclasses import dataclass

from syncd.errors import PeerRefusedError
from syncd.limits import (
    HOST_SEEN_S,
    HOSTS_PER_PEER_MAX,
    TICKET_VALID_S,
    TICKETS_PER_PEER_MAX,
)
from syncd.ports import Chance, Clock
from syncd.wire.hosts import host_key
from syncd.wire.keys import KEY_BYTES, LaneKeys, Seal
from syncd.wire.lane_events import LaneHello
from syncd.wire.messages import PeerIdentity

TICKET_BYTES = 16


@dataclass(frozen=True, slots=True)
class Redeemed:
    """What a ticket stands for: who may use the lane, for what, under which keys."""

    peer: PeerIdentity
    purpose: str
    keys: LaneKeys
    session: int = 0


class Tickets:
    """Issued on the event loop; proved there, too, or in any thread."""

    def __init__(self, chance: Chance, clock: Clock) -> None:
        self._chance = chance
        self._clock = clock
        self._lock = threading.Lock()
        self._issued: dict[bytes, tuple[float, Redeemed]] = {}
        self._hosts: dict[str, dict[str, float]] = {}

    def saw(self, peer: PeerIdentity) -> None:
        """Take note of where a peer has shown its certificate."""
        with self._lock:
            self._saw(peer)

    def _saw(self, peer: PeerIdentity) -> None:
        hosts, key = self._hosts.setdefault(peer.fingerprint, {}), host_key(peer.address)
        hosts.pop(key, None)
        hosts[key] = self._clock.monotonic_s()
        while len(hosts) > HOSTS_PER_PEER_MAX:
            del hosts[next(iter(hosts))]

    def issue(
        self, peer: PeerIdentity, purpose: str, session: int = 0, *, seal: Seal = Seal.SEALED
    ) -> tuple[bytes, bytes]:
        """Return a new ticket and its lane's key."""
        ticket = self._chance.random_bytes(TICKET_BYTES)
        key = self._chance.random_bytes(KEY_BYTES)
        now_s = self._clock.monotonic_s()
        with self._lock:
            self._drop_expired(now_s)
            self._make_room(peer)
            self._saw(peer)
            redeemed = Redeemed(peer, purpose, LaneKeys(key, seal), session)
            self._issued[ticket] = (now_s + TICKET_VALID_S, redeemed)
        return ticket, key

    def prove(self, hello: LaneHello, nonce: bytes, host: str) -> Redeemed:
        """Return, once, what hello's ticket stands for on the connection that began with nonce.

        host: where the connection comes from. Raises PeerRefusedError; a proof that is not that of
        the ticket's key leaves the ticket as it was.
        """
        with self._lock:
            self._drop_expired(self._clock.monotonic_s())
            _, found = self._issued.get(hello.ticket, (0.0, None))
            if found is None:
                raise _refused("is unknown, used or too old")
            keys = found.keys.for_session(nonce)
            if not hmac.compare_digest(keys.proof(hello.ticket), hello.proof):
                raise _refused("is shown by somebody who has not got its key")
            del self._issued[hello.ticket]
            if not self._is_at(found.peer, host, found.keys.seal):
                raise _refused(f"of {found.peer.name} comes from {host}, where that box is not")
        return Redeemed(found.peer, found.purpose, keys, found.session)

    def revoke(self, fingerprint: str) -> None:
        """Let no ticket of a peer that is trusted no longer open a lane."""
        with self._lock:
            self._hosts.pop(fingerprint, None)
            for ticket, (_, redeemed) in tuple(self._issued.items()):
                if redeemed.peer.fingerprint == fingerprint:
                    del self._issued[ticket]

    def _is_at(self, peer: PeerIdentity, host: str, seal: Seal) -> bool:
        """Tell whether a peer is where its ticket was asked for, or has been heard lately.

        A lane in clear keeps to the cable over which it was agreed on.
        """
        key = host_key(host)
        if key == host_key(peer.address):
            return True
        if seal is Seal.CLEAR:
            return False
        seen_s = self._hosts.get(peer.fingerprint, {}).get(key, float("-inf"))
        return self._clock.monotonic_s() - seen_s <= HOST_SEEN_S

    def _make_room(self, peer: PeerIdentity) -> None:
        """Give up the peer's oldest ticket if it has too many: it asks anew for each try."""
        own = [
            ticket
            for ticket, (_, redeemed) in self._issued.items()
            if redeemed.peer.fingerprint == peer.fingerprint
        ]
        if len(own) >= TICKETS_PER_PEER_MAX:
            del self._issued[own[0]]

    def _drop_expired(self, now_s: float) -> None:
        """Tickets expire in the order in which they were issued."""
        while self._issued:
            ticket, (expires_s, _) = next(iter(self._issued.items()))
            if expires_s > now_s:
                return
            del self._issued[ticket]


def _refused(why: str) -> PeerRefusedError:
    return PeerRefusedError(
        f"A lane was refused: its ticket {why}.",
        remedy="Nothing to do: the peer asks for another one.",
    )
