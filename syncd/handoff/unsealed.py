"""Which lanes may carry parcels unencrypted: only what both boxes' configs ask for, on that cable.

Owns: this box's side of it, what it has heard of the other side's, and the words for both. Must
not: seal anything. Whatever is not certain is sealed: an unknown peer, an address outside the
cable's network, a host name in place of an address, a peer that does not ask.

What travels unencrypted is proved all the same (wire/clear.py): it can be read, not changed.
"""

import logging
from collections.abc import Sequence
from ipaddress import IPv6Address, ip_address

from syncd.config.shapes import ClearConfig
from syncd.wire.keys import Seal

log = logging.getLogger(__name__)

READABLE = "anyone on the cable {net} can read the footage"


class Unsealed:
    """Asked on the event loop, for each lane anew."""

    def __init__(self, clears: Sequence[ClearConfig]) -> None:
        self._clears = {clear.peer: clear for clear in clears}
        self._told: dict[str, str] = {}

    def asks(self, peer: str, host: str) -> bool:
        """Tell whether this box's config asks for it, with that peer, at that address of it."""
        clear = self._clears.get(peer)
        if clear is None:
            return False
        try:
            address = ip_address(host)
        except ValueError:
            return False
        if isinstance(address, IPv6Address) and address.ipv4_mapped is not None:
            address = address.ipv4_mapped
        return address in clear.net

    def agree(self, peer: str, host: str, theirs: Seal) -> Seal:
        """Return how a lane travels for which the peer at host asks for theirs; note why."""
        ours = self.asks(peer, host)
        agreed = Seal.CLEAR if ours and theirs is Seal.CLEAR else Seal.SEALED
        self.note(peer, host, ours=ours, theirs=theirs is Seal.CLEAR)
        return agreed

    def note(self, peer: str, host: str, *, ours: bool, theirs: bool) -> None:
        """Say, once until it changes, how the lanes with a peer travel if that needs saying."""
        clear = self._clears.get(peer)
        if ours and theirs and clear is not None:
            text = f"Parcels travel unencrypted: {READABLE.format(net=clear.net)}."
        elif theirs:
            text = f"Parcels travel sealed: {peer} asks for clear, this box does not for {host}."
        elif ours:
            text = f"Parcels travel sealed: this box asks for clear, {peer} does not."
        elif clear is not None:
            text = f"Parcels travel sealed: {host} is not on the cable {clear.net}."
        else:
            text = ""
        if text and self._told.get(peer) != text:
            log.warning("With %s: %s", peer, text)
        if text:
            self._told[peer] = text
        else:
            self._told.pop(peer, None)

    def told(self) -> dict[str, str]:
        """Return what was said last of each peer."""
        return dict(self._told)

    def forget(self, peer: str) -> None:
        """Know nothing of a peer that is trusted no longer."""
        self._told.pop(peer, None)
