"""Tickets are good once, for a while, and not without number."""

import itertools

import pytest

from syncd.errors import PeerRefusedError
from syncd.limits import TICKET_VALID_S, TICKETS_MAX
from syncd.wire.messages import PeerIdentity
from syncd.wire.tickets import Tickets

PEER = PeerIdentity("offload-1", "sha256:" + "ab" * 32, "10.20.0.1")


class Clock:
    """Time that the test moves."""

    now_s = 1000.0

    def monotonic_s(self) -> float:
        return self.now_s

    def utc_ms(self) -> int:
        return int(self.now_s * 1000)

    async def sleep(self, seconds: float) -> None:
        raise AssertionError(f"tickets do not sleep for {seconds} s")


class Counting:
    """Chance that counts."""

    def __init__(self) -> None:
        self._next = itertools.count(1)

    def random_bytes(self, count: int) -> bytes:
        return next(self._next).to_bytes(count, "big")

    def uniform(self, low: float, high: float) -> float:
        raise AssertionError(f"tickets need bytes, nothing from {low} to {high}")


def test_a_ticket_stands_for_its_peer_purpose_and_key() -> None:
    """What was issued on the control plane comes back on the lane."""
    tickets = Tickets(Counting(), Clock())
    ticket, key = tickets.issue(PEER, "send")
    redeemed = tickets.redeem(ticket)
    assert (redeemed.peer, redeemed.purpose, redeemed.key) == (PEER, "send", key)
    assert key != ticket


def test_a_ticket_is_good_once() -> None:
    """Whoever overhears a ticket comes too late with it."""
    tickets = Tickets(Counting(), Clock())
    ticket, _ = tickets.issue(PEER, "send")
    tickets.redeem(ticket)
    with pytest.raises(PeerRefusedError):
        tickets.redeem(ticket)


def test_an_unknown_ticket_is_refused() -> None:
    """Guessing does not help."""
    with pytest.raises(PeerRefusedError):
        Tickets(Counting(), Clock()).redeem(b"?" * 16)


def test_a_ticket_expires() -> None:
    """A ticket that was never shown does not lie about for ever; later ones stay good."""
    clock = Clock()
    tickets = Tickets(Counting(), clock)
    early, _ = tickets.issue(PEER, "send")
    clock.now_s += TICKET_VALID_S - 1
    late, _ = tickets.issue(PEER, "fetch")
    clock.now_s += 1
    with pytest.raises(PeerRefusedError):
        tickets.redeem(early)
    assert tickets.redeem(late).purpose == "fetch"


def test_open_tickets_are_counted_and_make_room_with_time() -> None:
    """A peer that asks and never dials is refused at some point, and not for ever."""
    clock = Clock()
    tickets = Tickets(Counting(), clock)
    for _ in range(TICKETS_MAX):
        tickets.issue(PEER, "send")
    with pytest.raises(PeerRefusedError, match="not opened"):
        tickets.issue(PEER, "send")
    clock.now_s += TICKET_VALID_S
    assert tickets.issue(PEER, "send")


def test_no_ticket_of_a_peer_that_is_forgotten_opens_a_lane() -> None:
    """Those of the others stay good."""
    tickets = Tickets(Counting(), Clock())
    other = PeerIdentity("edit-1", "sha256:" + "cd" * 32, "10.20.0.3")
    gone = [tickets.issue(PEER, "send")[0] for _ in range(3)]
    kept, _ = tickets.issue(other, "fetch")

    tickets.revoke(PEER.fingerprint)

    for ticket in gone:
        with pytest.raises(PeerRefusedError):
            tickets.redeem(ticket)
    assert tickets.redeem(kept).peer is other
