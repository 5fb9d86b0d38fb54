"""The peers: who is trusted, what they are called, where they may be and when they were heard.

Owns: the list that `syncd peers` prints. The fingerprint is the identity and the name is display:
a peer that comes back under another name or address is the same peer. What discovery says is a
hint where to knock; it never makes anyone trusted.
Must not: do I/O or read a clock; times are passed in. Safe from any thread.
"""

import threading
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from syncd.limits import DEAD_AFTER_S
from syncd.moments import rfc3339
from syncd.wire.announcement import ROLES, Announcement
from syncd.wire.fingerprints import is_same

ALL_ROLES = frozenset(ROLES)
STRANGERS_MAX = 64  # anyone on the network can announce any number of names
ADDRESSES_MAX = 16
# Of these, so many as found under the name by which a peer is trusted, and under any other.
FOUND_MAX, FOUND_OTHERWISE_MAX = 8, 6

Address = tuple[str, int]


@dataclass(frozen=True, slots=True)
class TrustedPeer:
    """A peer that a person has paired, or pinned in the config.

    address: typed by hand or where it was paired, or None; tried like the others.
    roles: what it may do here. is_pinned: it stands in the config, which no command changes.
    paired_at_utc_ms: when it was paired; None if it is pinned.
    """

    name: str
    fingerprint: str
    address: Address | None = None
    roles: frozenset[str] = ALL_ROLES
    is_pinned: bool = False
    paired_at_utc_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Announced:
    """A box that announces itself: a hint. is_pairing: it says that it shows a pairing code."""

    fingerprint: str
    name: str
    addresses: tuple[Address, ...]
    is_pairing: bool


@dataclass(slots=True)
class _Presence:
    """What is known of one fingerprint's whereabouts, changing all the time.

    found_otherwise: where a trusted peer is announced under another name than the one it has here.
    """

    shown_name: str = ""
    roles: tuple[str, ...] = ()
    is_pairing: bool = False
    found_at: tuple[Address, ...] = ()
    found_otherwise: tuple[Address, ...] = ()
    reached_at: Address | None = None
    last_heard_utc_ms: int | None = None
    ends_utc_ms: int | None = None


@dataclass(slots=True)
class PeerBook:
    """All peers of one node. Names and fingerprints of trusted peers are each unique."""

    own_fingerprint: str
    trusted: Iterable[TrustedPeer] = ()
    _trusted: dict[str, TrustedPeer] = field(default_factory=dict, init=False)
    _presence: dict[str, _Presence] = field(default_factory=dict, init=False)
    _lock: threading.Lock = field(default_factory=threading.Lock, init=False)

    def __post_init__(self) -> None:
        for peer in self.trusted:
            self._trusted[peer.fingerprint] = peer

    # Trust

    def trusted_by_fingerprint(self, fingerprint: str) -> TrustedPeer | None:
        """Return the trusted peer with this fingerprint; compared with all, in constant time."""
        found = None
        with self._lock:
            for known, peer in self._trusted.items():
                if is_same(known, fingerprint):
                    found = peer
        return found

    def trusted_by_name(self, name: str) -> TrustedPeer | None:
        """Return the trusted peer of that name."""
        with self._lock:
            return next((peer for peer in self._trusted.values() if peer.name == name), None)

    def all_trusted(self) -> tuple[TrustedPeer, ...]:
        """Return everybody who is trusted now."""
        with self._lock:
            return tuple(self._trusted.values())

    def trust(self, peer: TrustedPeer) -> None:
        """Trust a peer from now on, as a person has decided."""
        with self._lock:
            self._trusted[peer.fingerprint] = peer

    def forget(self, fingerprint: str) -> None:
        """Trust this fingerprint no longer; where it was announced stays known, as a stranger's."""
        with self._lock:
            self._trusted.pop(fingerprint, None)
            presence = self._presence.get(fingerprint)
            if presence is not None:
                presence.reached_at = presence.last_heard_utc_ms = None

    # Presence

    def found(self, said: Announcement, addresses: Iterable[Address]) -> None:
        """Take what discovery says: a hint. Our own announcement is no peer.

        Anybody can announce a trusted peer's fingerprint, and at another address: so what was
        found of it before is still tried behind that, and is crowded out by no other name.
        """
        if said.fingerprint == self.own_fingerprint:
            return
        with self._lock:
            presence = self._presence_of(said.fingerprint)
            if presence is not None:
                presence.shown_name = said.shown_name
                presence.roles = said.roles
                presence.is_pairing = said.is_pairing
                self._place(presence, said, tuple(addresses))

    def _place(
        self, presence: _Presence, said: Announcement, addresses: tuple[Address, ...]
    ) -> None:
        peer = self._trusted.get(said.fingerprint)
        if peer is None:
            presence.found_at = addresses[:ADDRESSES_MAX]
        elif said.shown_name == peer.name:
            known = dict.fromkeys((*addresses[:FOUND_MAX], *presence.found_at))
            presence.found_at = tuple(known)[:FOUND_MAX]
        else:
            known = dict.fromkeys((*addresses[:FOUND_OTHERWISE_MAX], *presence.found_otherwise))
            presence.found_otherwise = tuple(known)[:FOUND_OTHERWISE_MAX]

    def announced(self) -> list[Announced]:
        """Return who announces itself now, by name; anybody can announce anything."""
        with self._lock:
            found = [
                Announced(fingerprint, each.shown_name, each.found_at, each.is_pairing)
                for fingerprint, each in self._presence.items()
                if each.found_at
            ]
        return sorted(found, key=lambda each: (each.name, each.fingerprint))

    def lost(self, fingerprint: str) -> None:
        """Take it that a peer has left, as discovery says; a stranger is forgotten."""
        with self._lock:
            presence = self._presence.get(fingerprint)
            if presence is None:
                return
            presence.found_at = presence.found_otherwise = ()
            if fingerprint not in self._trusted:
                del self._presence[fingerprint]

    def heard(
        self,
        name: str,
        at_utc_ms: int,
        *,
        address: Address | None = None,
        roles: tuple[str, ...] | None = None,
    ) -> None:
        """Note that a trusted peer asked or answered: only this means that it is alive."""
        peer = self.trusted_by_name(name)
        if peer is None:
            return
        with self._lock:
            presence = self._presence.setdefault(peer.fingerprint, _Presence())
            presence.last_heard_utc_ms = at_utc_ms  # not the latest of all: clocks are set back
            presence.reached_at = address or presence.reached_at
            presence.roles = presence.roles if roles is None else roles

    def ends(self, fingerprint: str, ends_utc_ms: int | None) -> None:
        """Note when a trusted peer's certificate ends, as it was seen in a connection."""
        with self._lock:
            if fingerprint in self._trusted:
                self._presence.setdefault(fingerprint, _Presence()).ends_utc_ms = ends_utc_ms

    def addresses(self, name: str) -> tuple[Address, ...]:
        """Return where a trusted peer may be: last reached, typed by hand, then as discovered."""
        peer = self.trusted_by_name(name)
        if peer is None:
            return ()
        with self._lock:
            presence = self._presence.get(peer.fingerprint, _Presence())
            found = (*presence.found_at, *presence.found_otherwise)
            candidates = (presence.reached_at, peer.address, *found)
        return tuple(dict.fromkeys(address for address in candidates if address is not None))

    # Listing

    def listing(self, now_utc_ms: int) -> list[dict[str, Any]]:
        """Return "peers" as `syncd peers --json` prints it: trusted ones first, each by name."""
        with self._lock:
            fingerprints = {**self._trusted, **dict.fromkeys(self._presence)}
            rows = [self._row(fingerprint, now_utc_ms) for fingerprint in fingerprints]
        return sorted(rows, key=lambda row: (not row["trusted"], row["name"], row["fingerprint"]))

    def _row(self, fingerprint: str, now_utc_ms: int) -> dict[str, Any]:
        peer = self._trusted.get(fingerprint)
        presence = self._presence.get(fingerprint, _Presence())
        found = (*presence.found_at, *presence.found_otherwise)
        places = [presence.reached_at, peer.address if peer else None, *found]
        heard = presence.last_heard_utc_ms
        address = next((place for place in places if place is not None), None)
        return {
            "name": peer.name if peer else presence.shown_name,
            "fingerprint": fingerprint,
            "roles": sorted(peer.roles) if peer else list(presence.roles),
            "trusted": peer is not None,
            "pinned": peer is not None and peer.is_pinned,
            "paired_at": _time(peer.paired_at_utc_ms if peer else None),
            "present": _is_present(presence, now_utc_ms),
            "address": None if address is None else address_text(address),
            "last_heard_at": _time(heard),
            "certificate_ends_at": _time(presence.ends_utc_ms),
        }

    def _presence_of(self, fingerprint: str) -> _Presence | None:
        """Return the presence to change, or None if it is one stranger too many."""
        presence = self._presence.get(fingerprint)
        if presence is None:
            strangers = sum(1 for known in self._presence if known not in self._trusted)
            if fingerprint not in self._trusted and strangers >= STRANGERS_MAX:
                return None
            presence = self._presence[fingerprint] = _Presence()
        return presence


def _time(utc_ms: int | None) -> str | None:
    return None if utc_ms is None else rfc3339(utc_ms)


def _is_present(presence: _Presence | None, now_utc_ms: int) -> bool:
    if presence is None or presence.last_heard_utc_ms is None:
        return False
    # Heard in the future: the clock was set back, and whoever lives is heard again in a moment.
    return abs(now_utc_ms - presence.last_heard_utc_ms) <= DEAD_AFTER_S * 1000


def address_text(address: Address) -> str:
    """Write host and port as one text, with brackets around an IPv6 host."""
    host, port = address
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"
