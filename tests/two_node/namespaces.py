"""Nodes as processes, each in a network namespace of its own, joined by a bridge in another one.

Owns: the namespaces, the cables between them, the processes. Nothing of the machine's own network
is touched. Needs root, ip, tc and nft.
"""

import ctypes
import os
import signal
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

from tests.shell import ToolError, run, run_any
from tests.two_node.leftovers import is_orphan, new_label
from tests.two_node.network import Interface, missing_tool
from tests.two_node.node import (
    BULK,
    CONTROL,
    EDIT,
    OFFLOAD,
    PROCESS,
    USUAL,
    Cut,
    Node,
    Nodes,
    Settings,
    write_config,
)
from tests.two_node.processes import ProcessNode

NET = "10.77.0"
HOSTS = {OFFLOAD: 11, PROCESS: 12, EDIT: 13}
CLONE_NEWNET = 0x40000000

T = TypeVar("T")


class NamespaceNode(ProcessNode):
    """A daemon in a network namespace of its own. `ip netns exec` becomes the daemon: one pid."""

    def __init__(self, name: str, home: Path, media: Path, label: str) -> None:
        super().__init__(name, home, media)
        self.space = f"{label}-{name}"
        self.plug = f"to-{name}"
        self.host = HOSTS[name]
        self.interface = Interface(lambda: ("ip", "netns", "exec", self.space))

    @property
    def address(self) -> str:
        """Its address on the set's network."""
        return f"{NET}.{self.host}"

    def inside(self, *argv: str) -> list[str]:
        return ["ip", "netns", "exec", self.space, *argv]


class NamespaceNodes(Nodes):
    """Three nodes, and a bridge with everybody's plug, all in namespaces."""

    kind = "namespaces"

    def __init__(self, settings: Settings = USUAL) -> None:
        remove_orphans()
        self._nodes: list[NamespaceNode] = []
        super().__init__(settings)

    @property
    def hub(self) -> str:
        """The namespace of the bridge."""
        return f"{self.label}-hub"

    @property
    def all(self) -> Sequence[NamespaceNode]:
        return self._nodes

    def cut(self, node: Node, how: Cut) -> None:
        assert isinstance(node, NamespaceNode)
        match how:
            case Cut.UNPLUGGED:
                run("ip", "-n", self.hub, "link", "delete", node.plug)
            case Cut.LINK_DOWN:
                node.interface.down()
            case Cut.SILENT:
                node.interface.drop_all()

    def join(self, node: Node, how: Cut) -> None:
        assert isinstance(node, NamespaceNode)
        match how:
            case Cut.UNPLUGGED:
                self._plug_in(node, "eth1")
            case Cut.LINK_DOWN:
                node.interface.up()
            case Cut.SILENT:
                node.interface.pass_all()

    def move(self, node: Node) -> str:
        assert isinstance(node, NamespaceNode)
        self.cut(node, Cut.UNPLUGGED)
        node.host += 100
        self._plug_in(node, "eth1")
        return node.address

    def set_rate(self, node: Node, bytes_per_s: float) -> None:
        assert isinstance(node, NamespaceNode)
        node.interface.set_rate(bytes_per_s)

    def _remove_network(self) -> None:
        for node in self._nodes:
            remove_namespace(node.space)
        remove_namespace(self.hub)

    def _build(self, settings: Settings) -> None:
        run("ip", "netns", "add", self.hub)
        run("ip", "-n", self.hub, "link", "add", "hub", "type", "bridge")
        run("ip", "-n", self.hub, "link", "set", "hub", "up")
        for name in HOSTS:
            self._add(name, settings.media_bytes)
        for node in self._nodes:
            peers = [(o, f"{o.address}:{CONTROL}") for o in self._nodes if o is not node]
            write_config(node, (f"0.0.0.0:{CONTROL}", f"0.0.0.0:{BULK}"), peers, settings)

    def _add(self, name: str, media_bytes: int) -> None:
        home, media = self.make_folders(name, media_bytes, os.getuid())
        node = NamespaceNode(name, home, media, self.label)
        self._nodes.append(node)
        run("ip", "netns", "add", node.space)
        run("ip", "-n", node.space, "link", "set", "lo", "up")
        self._plug_in(node, "eth0")

    def _plug_in(self, node: NamespaceNode, interface: str) -> None:
        ends = ("type", "veth", "peer", "name", interface, "netns", node.space)
        run("ip", "-n", self.hub, "link", "add", node.plug, *ends)
        run("ip", "-n", self.hub, "link", "set", node.plug, "master", "hub", "up")
        run("ip", "-n", node.space, "address", "add", f"{node.address}/24", "dev", interface)
        run("ip", "-n", node.space, "link", "set", interface, "up")


def why_not() -> str:
    """Return why this machine cannot do it, "" if it can."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        return "not root"
    if missing := missing_tool(()):
        return missing
    label = f"{new_label()}-probe"
    prefix = ("ip", "netns", "exec", label)
    try:
        run("ip", "netns", "add", label)
        run(*prefix, "ip", "link", "add", "near", "type", "veth", "peer", "name", "far")
        run(*prefix, "ip", "link", "add", "hub", "type", "bridge")
        plug = Interface(lambda: prefix)
        plug.up()
        plug.set_rate(1e6)
        plug.drop_all()
    except ToolError as error:
        return str(error)
    finally:
        run_any("ip", "netns", "delete", label)
    return ""


def within(space: str, work: Callable[[], T]) -> T:
    """Run work in a thread of this process that lives in a namespace."""

    def enter() -> None:
        libc = ctypes.CDLL(None, use_errno=True)
        with Path("/var/run/netns", space).open("rb") as handle:
            assert libc.setns(handle.fileno(), CLONE_NEWNET) == 0, os.strerror(ctypes.get_errno())

    with ThreadPoolExecutor(1, initializer=enter) as there:
        return there.submit(work).result()


def remove_namespace(space: str) -> None:
    """End what still runs in a namespace of ours, and remove it."""
    for pid in run_any("ip", "netns", "pids", space)[1].split():
        with suppress(ProcessLookupError):
            os.kill(int(pid), signal.SIGKILL)
    run_any("ip", "netns", "delete", space)


def remove_orphans() -> None:
    """Remove the namespaces of runs that were killed."""
    for line in run_any("ip", "netns", "list")[1].splitlines():
        if is_orphan(line.split()[0]):
            remove_namespace(line.split()[0])
