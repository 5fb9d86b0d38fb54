"""Nodes as processes, each in a network namespace of its own, joined by a bridge in another one.

Owns: the namespaces, the cables between them, the processes. Nothing of the machine's own network
is touched. Needs root, ip, tc and nft.
"""

import os
import signal
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from tests.boxes import wait_until
from tests.two_node.leftovers import is_orphan, new_folder, new_label, remove_folder
from tests.two_node.network import Interface, missing_tool
from tests.two_node.node import (
    BOARD,
    BULK,
    CONTROL,
    EDIT,
    OFFLOAD,
    PROCESS,
    Cut,
    Node,
    Nodes,
    Places,
    node_table,
    peer_table,
    role_tables,
)
from tests.two_node.shell import ToolError, run, run_any
from tests.two_node.small_disks import SmallDisk

NET = "10.77.0"
HOSTS = {OFFLOAD: 11, PROCESS: 12, EDIT: 13}
MEDIA_BYTES = 1 << 30


class ProcessNode(Node):
    """A daemon that is a process of this machine; prefix: the words that start it elsewhere."""

    python = sys.executable

    def __init__(self, name: str, home: Path, media: Path) -> None:
        super().__init__(name, home, media)
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def places(self) -> Places:
        return Places(str(self.home / "syncd.toml"), str(self.home / "state"), str(self.media))

    @property
    def command(self) -> Sequence[str]:
        return (sys.executable, "-m", "syncd")

    @property
    def pid(self) -> int:
        """The daemon's process id."""
        assert self._process is not None
        return self._process.pid

    def inside(self, *argv: str) -> list[str]:
        return list(argv)

    def launch(self) -> None:
        with (self.home / "log").open("ab") as log:
            self._process = subprocess.Popen(
                self.inside(*self.command, "run", "-c", self.places.config), stdout=log, stderr=log
            )

    def kill(self) -> None:
        os.kill(self.pid, signal.SIGKILL)
        self._reap()

    def restart(self) -> None:
        self.stop()
        self.launch()

    def stop(self) -> None:
        """End it as a service manager does; after 10 s for good."""
        if not self.has_ended():
            os.kill(self.pid, signal.SIGTERM)
            with suppress(subprocess.TimeoutExpired):
                assert self._process is not None
                self._process.wait(10)
                return
            self.kill()

    def pause(self) -> None:
        os.kill(self.pid, signal.SIGSTOP)

    def resume(self) -> None:
        os.kill(self.pid, signal.SIGCONT)

    def has_ended(self) -> bool:
        return self._process is None or self._process.poll() is not None

    def log_text(self) -> str:
        log = self.home / "log"
        return log.read_text(errors="replace") if log.exists() else ""

    def close(self) -> None:
        super().close()
        if not self.has_ended():
            self.kill()

    def _reap(self) -> None:
        assert self._process is not None
        self._process.wait(10)


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
    """Three nodes and a bridge, all in namespaces.

    discover: by zeroconf; otherwise every [[peer]] has its address. lanes: of the hand-off.
    """

    kind = "namespaces"

    def __init__(self, *, discover: bool = True, lanes: int = 2, keep_free: str = "0 B") -> None:
        remove_orphans()
        self.label = new_label()
        self.folder = new_folder(self.label)
        self._hub = f"{self.label}-hub"
        self._disks: list[SmallDisk] = []
        self._nodes: dict[str, NamespaceNode] = {}
        try:
            self._build(discover, lanes, keep_free)
        except BaseException:
            self.close()
            raise

    @property
    def offload(self) -> NamespaceNode:
        return self._nodes[OFFLOAD]

    @property
    def process(self) -> NamespaceNode:
        return self._nodes[PROCESS]

    @property
    def edit(self) -> NamespaceNode:
        return self._nodes[EDIT]

    @property
    def disk_kind(self) -> str:
        """What the nodes' small file systems are."""
        return self._disks[0].kind

    def cut(self, node: Node, how: Cut) -> None:
        assert isinstance(node, NamespaceNode)
        match how:
            case Cut.UNPLUGGED:
                run("ip", "-n", self._hub, "link", "delete", node.plug)
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

    def close(self) -> None:
        for node in self._nodes.values():
            node.close()
        for node in self._nodes.values():
            remove_namespace(node.space)
        remove_namespace(self._hub)
        for disk in self._disks:
            disk.close()
        remove_folder(self.folder)

    def _build(self, discover: bool, lanes: int, keep_free: str) -> None:
        run("ip", "netns", "add", self._hub)
        run("ip", "-n", self._hub, "link", "add", "hub", "type", "bridge")
        run("ip", "-n", self._hub, "link", "set", "hub", "up")
        for name in HOSTS:
            self._add(name)
        for node in self._nodes.values():
            others = [other for other in self._nodes.values() if other is not node]
            tables = [
                node_table(
                    node,
                    (f"0.0.0.0:{CONTROL}", f"0.0.0.0:{BULK}", f"127.0.0.1:{BOARD}"),
                    discover=discover,
                ),
                *(peer_table(o, None if discover else f"{o.address}:{CONTROL}") for o in others),
                role_tables(node, lanes, keep_free),
            ]
            (node.home / "syncd.toml").write_text("\n".join(tables))

    def _add(self, name: str) -> None:
        home, media = self.folder / name, self.folder / f"{name}-media"
        home.mkdir()
        self._disks.append(SmallDisk(media, MEDIA_BYTES, os.getuid()))
        node = self._nodes[name] = NamespaceNode(name, home, media, self.label)
        run("ip", "netns", "add", node.space)
        run("ip", "-n", node.space, "link", "set", "lo", "up")
        self._plug_in(node, "eth0")

    def _plug_in(self, node: NamespaceNode, interface: str) -> None:
        ends = ("type", "veth", "peer", "name", interface, "netns", node.space)
        run("ip", "-n", self._hub, "link", "add", node.plug, *ends)
        run("ip", "-n", self._hub, "link", "set", node.plug, "master", "hub", "up")
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


def wait_present(asking: Node, peer: Node, timeout_s: float = 15.0) -> None:
    """Wait until one node has heard from another."""
    wait_until(
        lambda: asking.peer(peer.name)["present"],
        timeout_s,
        f"{asking.name} does not hear {peer.name}",
        state=lambda: asking.api("peers"),
    )
