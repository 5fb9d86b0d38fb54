"""Tickets are good once, for a while, and not without number."""

import itertools

import pytest

from syncd.errors import PeerRefusedError
from syncd.limits import (
    HOST_SEEN_S,
    HOSTS_PER_PEER_MAX,
    TICKET_VALID_S,
    TICKETS_PER_PEER_MAX,
)
from syncd.wire.keys import LaneKeys, Seal
from syncd.wire.lane_events import LaneHello
from syncd.wire.messages import PeerIdentity
from syncd.wire.tickets import Redeemed, Tickets

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


NONCE = b"n" * 16
HOST = PEER.address


def hello_for(ticket: bytes, key: bytes, nonce: bytes = NONCE) -> LaneHello:
    """Return the greeting of one who has ticket and key, on a connection that began with nonce."""
    return LaneHello(ticket=ticket, proof=LaneKeys(key, nonce=nonce).proof(ticket))


def is_good(tickets: Tickets, ticket: bytes, key: bytes, host: str = HOST) -> bool:
    """Tell whether a ticket opens a lane."""
    try:
        return isinstance(tickets.prove(hello_for(ticket, key), NONCE, host), Redeemed)
    except PeerRefusedError:
        return False


def test_a_ticket_stands_for_its_peer_purpose_and_keys() -> None:
    """What was issued on the control plane comes back on the lane, with keys of this session."""
    tickets = Tickets(Counting(), Clock())
    ticket, key = tickets.issue(PEER, "send", 7, seal=Seal.CLEAR)
    hello = LaneHello(
        ticket=ticket, proof=LaneKeys(key, Seal.CLEAR).for_session(NONCE).proof(ticket)
    )
    redeemed = tickets.prove(hello, NONCE, HOST)
    assert (redeemed.peer, redeemed.purpose, redeemed.session) == (PEER, "send", 7)
    assert redeemed.keys.seal is Seal.CLEAR
    assert redeemed.keys.proof(ticket) == hello.proof
    assert key != ticket


def test_a_ticket_is_good_once() -> None:
    """Even for the one who has its key."""
    tickets = Tickets(Counting(), Clock())
    ticket = tickets.issue(PEER, "send")
    assert is_good(tickets, *ticket)
    assert not is_good(tickets, *ticket)


def test_a_ticket_is_worth_nothing_without_its_key_and_is_not_used_up() -> None:
    """Whoever overhears a greeting can neither use its ticket nor spoil it."""
    tickets = Tickets(Counting(), Clock())
    ticket, key = tickets.issue(PEER, "send")
    overheard = hello_for(ticket, key, nonce=b"o" * 16)
    for proof in (overheard.proof, bytes(32), LaneKeys(b"?" * 16, nonce=NONCE).proof(ticket)):
        with pytest.raises(PeerRefusedError, match="has not got its key"):
            tickets.prove(LaneHello(ticket=ticket, proof=proof), NONCE, HOST)
    assert is_good(tickets, ticket, key)


def test_a_ticket_for_sealed_parcels_opens_no_clear_lane() -> None:
    """The mode is part of what is proved."""
    tickets = Tickets(Counting(), Clock())
    ticket, key = tickets.issue(PEER, "send")
    clear = LaneKeys(key, Seal.CLEAR, nonce=NONCE)
    with pytest.raises(PeerRefusedError):
        tickets.prove(LaneHello(ticket=ticket, proof=clear.proof(ticket)), NONCE, HOST)


def test_a_lane_from_where_the_peer_is_not_is_refused_and_its_ticket_gone() -> None:
    """Somebody else has the key, then."""
    tickets = Tickets(Counting(), Clock())
    ticket = tickets.issue(PEER, "send")
    with pytest.raises(PeerRefusedError, match=r"from 10\.20\.0\.9"):
        tickets.prove(hello_for(*ticket), NONCE, "10.20.0.9")
    assert not is_good(tickets, *ticket)


def test_a_peer_may_dial_from_any_address_at_which_it_has_proved_itself_lately() -> None:
    """A box on two networks asks over one and dials over the other; a minute later no more."""
    clock = Clock()
    tickets = Tickets(Counting(), clock)
    tickets.saw(PeerIdentity(PEER.name, PEER.fingerprint, "192.168.7.1"))
    assert is_good(tickets, *tickets.issue(PEER, "send"), host="192.168.7.1")
    clock.now_s += HOST_SEEN_S + 1
    assert not is_good(tickets, *tickets.issue(PEER, "send"), host="192.168.7.1")
    assert is_good(tickets, *tickets.issue(PEER, "send"))


def test_addresses_of_one_peer_are_not_those_of_another() -> None:
    """Nor are they kept without number."""
    tickets = Tickets(Counting(), Clock())
    tickets.saw(PeerIdentity("edit-1", "sha256:" + "cd" * 32, "10.20.0.3"))
    assert not is_good(tickets, *tickets.issue(PEER, "send"), host="10.20.0.3")
    for last in range(100):
        tickets.saw(PeerIdentity(PEER.name, PEER.fingerprint, f"10.20.1.{last}"))
    assert len(tickets._hosts[PEER.fingerprint]) == HOSTS_PER_PEER_MAX


def test_an_unknown_ticket_is_refused() -> None:
    """Guessing does not help."""
    assert not is_good(Tickets(Counting(), Clock()), b"?" * 16, b"k" * 16)


def test_a_ticket_expires() -> None:
    """A ticket that was never shown does not lie about for ever; later ones stay good."""
    clock = Clock()
    tickets = Tickets(Counting(), clock)
    early = tickets.issue(PEER, "send")
    clock.now_s += TICKET_VALID_S - 1
    late = tickets.issue(PEER, "fetch")
    clock.now_s += 1
    assert not is_good(tickets, *early)
    assert is_good(tickets, *late)


def test_a_peer_that_asks_and_never_dials_loses_its_oldest_tickets() -> None:
    """What is kept of it has an end, nobody is refused, and the tickets of others stay good."""
    tickets = Tickets(Counting(), Clock())
    other = tickets.issue(PeerIdentity("edit-1", "sha256:" + "cd" * 32, HOST), "fetch")
    own = [tickets.issue(PEER, "send") for _ in range(TICKETS_PER_PEER_MAX + 1)]
    assert len(tickets._issued) == TICKETS_PER_PEER_MAX + 1
    assert not is_good(tickets, *own[0])
    assert all(is_good(tickets, *ticket) for ticket in (own[1], own[-1], other))


def test_no_ticket_of_a_peer_that_is_forgotten_opens_a_lane() -> None:
    """Those of the others stay good."""
    tickets = Tickets(Counting(), Clock())
    other = PeerIdentity("edit-1", "sha256:" + "cd" * 32, HOST)
    gone = [tickets.issue(PEER, "send") for _ in range(3)]
    kept = tickets.issue(other, "fetch")

    tickets.revoke(PEER.fingerprint)

    assert not any(is_good(tickets, *ticket) for ticket in gone)
    assert is_good(tickets, *kept)
