"""Nodes as processes on loopback, with relays between them: for a machine that allows nothing else.

Owns: the relays and the processes. What needs multicast or addresses of its own is not here.
"""

import os
import sys
from collections.abc import Sequence
from dataclasses import replace

from tests.boxes import free_port
from tests.two_node.node import (
    EDIT,
    OFFLOAD,
    PROCESS,
    USUAL,
    Cut,
    Node,
    Nodes,
    NotHere,
    Settings,
    write_config,
)
from tests.two_node.processes import ProcessNode
from tests.two_node.relay import Relay

FAR = "127.0.0.1"
NEARS = ("127.0.0.2", "127.0.0.3") if sys.platform == "linux" else ("::1", "127.0.0.1")


class LoopbackNodes(Nodes):
    """Three processes. The offload and the editorial node reach the processing one by a relay.

    Nobody is discovered: every [[peer]] has its address.
    """

    kind = "loopback"

    def __init__(self, settings: Settings = USUAL) -> None:
        self._nodes: list[ProcessNode] = []
        self._relays: dict[str, Relay] = {}
        super().__init__(settings)

    @property
    def all(self) -> Sequence[ProcessNode]:
        return self._nodes

    def cut(self, node: Node, how: Cut) -> None:
        for relay in self._between(node):
            if how is Cut.UNPLUGGED:
                relay.cut()
            else:
                relay.hold()

    def join(self, node: Node, how: Cut) -> None:
        assert how in Cut
        for relay in self._between(node):
            relay.join()

    def move(self, node: Node) -> str:
        raise NotHere(f"{node.name} cannot be found again at another address without multicast")

    def set_rate(self, node: Node, bytes_per_s: float) -> None:
        for relay in self._between(node):
            relay.set_rate(bytes_per_s)

    def _remove_network(self) -> None:
        for relay in self._relays.values():
            relay.cut()

    def _between(self, node: Node) -> list[Relay]:
        """Return the relays that lead to or from node."""
        if node.name == PROCESS:
            return list(self._relays.values())
        return [self._relays[node.name]]

    def _build(self, settings: Settings) -> None:
        ports = {name: (free_port(), free_port()) for name in (OFFLOAD, PROCESS, EDIT)}
        for name in ports:
            home, media = self.make_folders(name, settings.media_bytes, os.getuid())
            node = ProcessNode(name, home, media)
            node.board = free_port()
            self._nodes.append(node)
        for name, near in zip((OFFLOAD, EDIT), NEARS, strict=True):
            self._relays[name] = Relay(near, FAR, ports[PROCESS])
            if near != FAR:
                self._relays[name].join()
        nears = dict(zip((OFFLOAD, EDIT), NEARS, strict=True))
        fixed = replace(settings, discover=False)
        for node in self._nodes:
            control, bulk = ports[node.name]
            at = _bracketed(nears.get(node.name, FAR))
            peers = [
                (other, f"{at}:{ports[PROCESS][0]}" if other.name == PROCESS else None)
                for other in self._nodes
                if other is not node
            ]
            write_config(node, (f"{FAR}:{control}", f"{FAR}:{bulk}"), peers, fixed)


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host
