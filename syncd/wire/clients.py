"""The clients of one node: one for each peer that it dials, made when it is first needed.

Owns: that a peer which is forgotten has none, and one of the same name later gets its own.
Must not: decide whom to dial, or trust.
"""

import asyncio

from syncd.ports import Clock
from syncd.wire.control_client import PeerClient
from syncd.wire.identity import Identity
from syncd.wire.peers import PeerBook


class Clients:
    """Made and used on the running loop; close() it."""

    def __init__(self, book: PeerBook, identity: Identity, clock: Clock) -> None:
        self._book = book
        self._identity = identity
        self._clock = clock
        self._clients: dict[str, PeerClient] = {}
        self._closing: set[asyncio.Task[None]] = set()

    def get(self, name: str) -> PeerClient:
        """Return the client of a trusted peer."""
        if name not in self._clients:
            peer = self._book.trusted_by_name(name)
            assert peer is not None, "only trusted peers are dialled"
            self._clients[name] = PeerClient(
                name,
                lambda: self._book.addresses(name),
                self._identity,
                peer.fingerprint,
                self._clock,
                heard=lambda at: self._book.heard(name, at),
                seen_end=lambda ends: self._book.ends(peer.fingerprint, ends),
            )
        return self._clients[name]

    def host(self, name: str) -> str:
        """Return where the peer's lanes are: where the control plane got its answer; "": nowhere.

        A peer that is not dialled (any more) is nowhere.
        """
        client = self._clients.get(name)
        return client.address[0] if client is not None and client.address is not None else ""

    def drop(self, name: str) -> None:
        """End the connections to a peer that is trusted no longer."""
        client = self._clients.pop(name, None)
        if client is not None:
            closing = asyncio.create_task(client.close(), name=f"close-{name}")
            self._closing.add(closing)
            closing.add_done_callback(self._closing.discard)

    async def close(self) -> None:
        """End all connections."""
        for name in tuple(self._clients):
            self.drop(name)
        await asyncio.gather(*self._closing)
