"""Who is trusted, and what is known of where they are."""

from syncd.wire.announcement import Announcement
from syncd.wire.peers import STRANGERS_MAX, PeerBook, TrustedPeer

OWN, PROCESS, STRANGER = (f"sha256:{digit * 64}" for digit in "abc")
TYPED = ("10.20.0.2", 8840)
NOW_UTC_MS = 1_773_489_600_000


def book(*, typed: tuple[str, int] | None = TYPED) -> PeerBook:
    """Return the book of offload-1, which trusts process-1."""
    return PeerBook(OWN, [TrustedPeer("process-1", PROCESS, typed)])


def test_trust_is_by_fingerprint_alone() -> None:
    """A stranger that announces a trusted peer's name is still a stranger."""
    peers = book()
    peers.found(Announcement(STRANGER, "process-1", ("processing",)), [("10.20.0.66", 8840)])

    trusted = peers.trusted_by_fingerprint(PROCESS)

    assert trusted is not None
    assert trusted.name == "process-1"
    assert peers.trusted_by_fingerprint(STRANGER) is None
    assert peers.addresses("process-1") == (TYPED,)


def test_a_peer_under_another_instance_name_is_the_same_peer() -> None:
    """After a name conflict it announces "process-1 (2)"; its addresses are still its own."""
    peers = book(typed=None)
    peers.found(Announcement(PROCESS, "process-1", ("processing",)), [("10.20.0.2", 8840)])
    peers.found(Announcement(PROCESS, "process-1 (2)", ("processing",)), [("10.20.0.7", 8840)])

    assert peers.addresses("process-1") == (("10.20.0.2", 8840), ("10.20.0.7", 8840))
    assert [row["name"] for row in peers.listing(NOW_UTC_MS)] == ["process-1"]


def test_addresses_come_most_promising_first_and_once() -> None:
    """Where it was reached last, then as typed, then as discovered."""
    peers = book()
    peers.found(Announcement(PROCESS, "process-1", ()), [TYPED, ("192.168.7.2", 8840)])
    peers.heard("process-1", NOW_UTC_MS, address=("192.168.7.2", 8840))

    assert peers.addresses("process-1") == (("192.168.7.2", 8840), TYPED)
    assert peers.addresses("nobody") == ()


def test_only_being_heard_makes_a_peer_present() -> None:
    """An announcement is not presence, since a dead peer stays announced for long."""
    peers = book()
    peers.found(Announcement(PROCESS, "process-1", ("processing",)), [TYPED])
    assert peers.listing(NOW_UTC_MS)[0]["present"] is False

    peers.heard("process-1", NOW_UTC_MS)

    assert peers.listing(NOW_UTC_MS + 8_000)[0]["present"] is True
    assert peers.listing(NOW_UTC_MS + 8_001)[0]["present"] is False


def test_a_clock_that_is_set_back_makes_no_dead_peer_present() -> None:
    """Who was last heard in what is the future now is absent until it is heard again."""
    peers = book()
    peers.heard("process-1", NOW_UTC_MS)
    back_utc_ms = NOW_UTC_MS - 6 * 3_600_000

    assert peers.listing(back_utc_ms)[0]["present"] is False
    peers.heard("process-1", back_utc_ms)
    assert peers.listing(back_utc_ms)[0]["present"] is True


def test_the_listing_is_what_scripts_rely_on() -> None:
    """The shape of `syncd peers --json`, as design.md gives it, and how each came to be trusted."""
    paired = TrustedPeer(
        "process-1",
        PROCESS,
        TYPED,
        roles=frozenset({"processing"}),
        paired_at_utc_ms=NOW_UTC_MS - 60_000,
    )
    peers = PeerBook(OWN, [paired])
    peers.found(Announcement(STRANGER, "edit-1", ("editorial",)), [("fe80::2%eth0", 8840)])
    peers.heard("process-1", NOW_UTC_MS, roles=("processing", "offload"))
    for fingerprint in (PROCESS, STRANGER):
        peers.ends(fingerprint, 2_089_108_800_000)

    assert peers.listing(NOW_UTC_MS) == [
        {
            "name": "process-1",
            "fingerprint": PROCESS,
            "roles": ["processing"],
            "trusted": True,
            "pinned": False,
            "paired_at": "2026-03-14T11:59:00.000Z",
            "present": True,
            "address": "10.20.0.2:8840",
            "last_heard_at": "2026-03-14T12:00:00.000Z",
            "certificate_ends_at": "2036-03-14T12:00:00.000Z",
        },
        {
            "name": "edit-1",
            "fingerprint": STRANGER,
            "roles": ["editorial"],
            "trusted": False,
            "pinned": False,
            "paired_at": None,
            "present": False,
            "address": "[fe80::2%eth0]:8840",
            "last_heard_at": None,
            "certificate_ends_at": None,
        },
    ]


def test_a_stranger_that_leaves_is_forgotten_and_a_trusted_peer_is_not() -> None:
    """What a person decided outlives what the network says."""
    peers = book()
    for fingerprint in (PROCESS, STRANGER):
        peers.found(Announcement(fingerprint, "somebody", ()), [("10.0.0.9", 8840)])
        peers.lost(fingerprint)

    assert [row["fingerprint"] for row in peers.listing(NOW_UTC_MS)] == [PROCESS]
    assert peers.addresses("process-1") == (TYPED,)


def test_our_own_announcement_is_no_peer() -> None:
    """Multicast comes back to the sender."""
    peers = book()
    peers.found(Announcement(OWN, "offload-1", ("offload",)), [("10.20.0.1", 8840)])

    assert len(peers.listing(NOW_UTC_MS)) == 1


def test_a_flood_of_strangers_fills_nothing_and_hides_nobody() -> None:
    """However many announce themselves, few are kept, and a trusted peer always finds its place."""
    peers = book()
    for number in range(3 * STRANGERS_MAX):
        peers.found(Announcement(f"sha256:{number:064x}", "flood", ()), [("10.0.0.9", 8840)] * 100)
    peers.found(Announcement(PROCESS, "process-1", ()), [("10.0.0.3", 8840)])

    assert len(peers.listing(NOW_UTC_MS)) == STRANGERS_MAX + 1
    assert ("10.0.0.3", 8840) in peers.addresses("process-1")


def test_trust_can_be_given_and_taken_while_running() -> None:
    """Pairing and its undoing take effect at once."""
    peers = PeerBook(OWN)
    peers.trust(TrustedPeer("edit-1", STRANGER))
    assert peers.trusted_by_fingerprint(STRANGER) is not None

    peers.forget(STRANGER)

    assert peers.trusted_by_fingerprint(STRANGER) is None
    peers.heard("edit-1", NOW_UTC_MS)
    assert peers.listing(NOW_UTC_MS) == []
