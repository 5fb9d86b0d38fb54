"""Nodes as containers of the image that docker/ makes, on a network of their own.

Owns: containers and networks with the label of the set, removed at the start and at the end of it.
Plain `docker` commands only. Links and packets are touched in the containers' own network
namespaces, never on the machine.
"""

import os
import shutil
import signal
import socket
from collections.abc import Sequence
from pathlib import Path

from tests.shell import ToolError, run, run_any
from tests.two_node.leftovers import is_orphan
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
    NotHere,
    Places,
    Settings,
    write_config,
)
from tests.two_node.rolls import give_to

ROOT = Path(__file__).parent.parent.parent
TAG = "syncd:local"
BUILD_S = 900.0  # a base from a slow mirror, then wheels; half a minute is usual
ANSWER_S = 20.0
LABEL, HOST_LABEL = "local.syncd.nodes", "local.syncd.host"
IMAGE_USER = 8840
HOSTS = {OFFLOAD: 11, PROCESS: 12, EDIT: 13}
MEDIA = {OFFLOAD: "/media/cards", PROCESS: "/mnt/array", EDIT: "/media/edit"}
NETS = tuple(f"10.77.{number}" for number in range(100, 200))


class ContainerNode(Node):
    """One container. net: the first three numbers of the set's network."""

    def __init__(self, name: str, home: Path, media: Path, label: str, net: str) -> None:
        super().__init__(name, home, media)
        self.label = label
        self.container = f"{label}-{name}"
        self.net = net
        self.host = HOSTS[name]
        self.interface = Interface(self._beside)
        self.image = TAG
        self._is_made = False

    @property
    def address(self) -> str:
        """Its address on the set's network."""
        return f"{self.net}.{self.host}"

    @property
    def places(self) -> Places:
        return Places("/etc/syncd/syncd.toml", "/var/lib/syncd", MEDIA[self.name])

    def inside(self, *argv: str) -> list[str]:
        return ["docker", "exec", "--interactive", self.container, *argv]

    def launch(self) -> None:
        if self._is_made:
            run("docker", "start", self.container)
            return
        user = user_of_containers()
        run(
            *("docker", "run", "--detach", "--name", self.container, "--hostname", self.name),
            *labels(self.label),
            *("--network", self.label, "--ip", self.address, "--user", f"{user}:{user}"),
            *("--read-only", "--tmpfs", "/tmp", "--cap-drop", "ALL"),
            *("--security-opt", "no-new-privileges", "--stop-timeout", "10"),
            *("--volume", f"{self.home / 'syncd.toml'}:{self.places.config}:ro"),
            *("--volume", f"{self.home / 'state'}:{self.places.state}"),
            *("--volume", f"{self.media}:{self.places.media}"),
            self.image,
        )
        self._is_made = True

    def kill(self) -> None:
        run("docker", "kill", "--signal", str(int(signal.SIGKILL)), self.container)
        run("docker", "wait", self.container)

    def restart(self) -> None:
        run("docker", "restart", self.container)

    def pause(self) -> None:
        run("docker", "pause", self.container)

    def resume(self) -> None:
        run("docker", "unpause", self.container)

    def has_ended(self) -> bool:
        return self._told("{{.State.Running}}") != "true"

    def log_text(self) -> str:
        _, printed, said = run_any("docker", "logs", self.container)
        return printed + said

    def _told(self, form: str) -> str:
        return run("docker", "inspect", "--format", form, self.container).strip()

    def _beside(self) -> Sequence[str]:
        """Return the words that run a program in the container's network, with every right."""
        if can_enter():
            return ("nsenter", "--target", self._told("{{.State.Pid}}"), "--net")
        network = ("--network", f"container:{self.container}", "--cap-add", "NET_ADMIN")
        words = ("docker", "run", "--rm", *labels(self.label), "--user", "0:0", *network)
        return (*words, "--entrypoint", "", self.image)


class DockerNodes(Nodes):
    """Three containers on a network of their own."""

    kind = "docker"

    def __init__(self, settings: Settings = USUAL, image: str = TAG) -> None:
        remove_orphans()
        self._image = image
        self._nodes: list[ContainerNode] = []
        super().__init__(settings)

    @property
    def all(self) -> Sequence[ContainerNode]:
        return self._nodes

    def cut(self, node: Node, how: Cut) -> None:
        assert isinstance(node, ContainerNode)
        match how:
            case Cut.UNPLUGGED:
                run("docker", "network", "disconnect", self.label, node.container)
            case Cut.LINK_DOWN:
                _needs_tools(node, "ip")
                node.interface.down()
            case Cut.SILENT:
                _needs_tools(node, "nft")
                node.interface.drop_all()

    def join(self, node: Node, how: Cut) -> None:
        assert isinstance(node, ContainerNode)
        match how:
            case Cut.UNPLUGGED:
                place = ("--ip", node.address, self.label, node.container)
                run("docker", "network", "connect", *place)
            case Cut.LINK_DOWN:
                node.interface.up()
            case Cut.SILENT:
                node.interface.pass_all()

    def move(self, node: Node) -> str:
        assert isinstance(node, ContainerNode)
        self.cut(node, Cut.UNPLUGGED)
        node.host += 100
        self.join(node, Cut.UNPLUGGED)
        return node.address

    def set_rate(self, node: Node, bytes_per_s: float) -> None:
        assert isinstance(node, ContainerNode)
        _needs_tools(node, "tc")
        node.interface.set_rate(bytes_per_s)

    def _remove_network(self) -> None:
        remove_labelled(self.label)

    def _build(self, settings: Settings) -> None:
        net = make_network(self.label)
        for name in HOSTS:
            home, media = self.make_folders(name, settings.media_bytes, user_of_containers())
            node = ContainerNode(name, home, media, self.label, net)
            node.image = self._image
            self._nodes.append(node)
        for node in self._nodes:
            peers = [(o, f"{o.address}:{CONTROL}") for o in self._nodes if o is not node]
            write_config(node, (f"0.0.0.0:{CONTROL}", f"0.0.0.0:{BULK}"), peers, settings)
        for node in self._nodes:
            give_to(user_of_containers(), node.home / "state")
            give_to(user_of_containers(), *node.media.iterdir())


def why_not() -> str:
    """Return why no engine can be used here, "" if one answers."""
    if shutil.which("docker") is None:
        return "no docker command"
    code, _, said = run_any("docker", "version", "--format", "json", timeout_s=ANSWER_S)
    return "" if code == 0 else f"no engine answers: {said.strip()[-200:]}"


def build_image() -> str:
    """Build the image of this clone and return its id. Raises ToolError."""
    run(str(ROOT / "docker" / "build"), timeout_s=BUILD_S)
    # The id, not the tag: another clone on this machine may build its own at any moment.
    return run("docker", "image", "inspect", "--format", "{{.Id}}", TAG).strip()


def user_of_containers() -> int:
    """Return who the daemons are: the image's own user if root asks, else whoever asks."""
    return IMAGE_USER if os.getuid() == 0 else os.getuid()


def can_enter() -> bool:
    """Tell whether this process may enter the network of a container with the machine's tools."""
    return os.getuid() == 0 and not missing_tool(()) and shutil.which("nsenter") is not None


def labels(label: str) -> tuple[str, ...]:
    """Return the words that label a container or a network as ours."""
    return ("--label", f"{LABEL}={label}", "--label", f"{HOST_LABEL}={socket.gethostname()}")


def make_network(label: str) -> str:
    """Make a private network; return the first three numbers of the first free one."""
    said = ""
    for net in NETS:
        # Not --internal: the engine's rules for that drop multicast, too. Nothing here asks beyond.
        private = ("--opt", "com.docker.network.bridge.enable_ip_masquerade=false")
        words = ("docker", "network", "create", *labels(label), *private)
        code, _, said = run_any(*words, "--subnet", f"{net}.0/24", label)
        if code == 0:
            return net
        if "overlap" not in said:
            break
    raise ToolError(f"docker network create: {said.strip()}")


def remove_labelled(label: str) -> None:
    """Remove every container and network with this label."""
    mine = ("--filter", f"label={LABEL}={label}", "--quiet")
    if containers := run("docker", "ps", "--all", *mine).split():
        run("docker", "rm", "--force", "--volumes", *containers)
    if networks := run("docker", "network", "ls", *mine).split():
        run("docker", "network", "rm", *networks)


def remove_orphans() -> None:
    """Remove what runs left behind that were killed on this machine."""
    ours = ("--filter", f"label={HOST_LABEL}={socket.gethostname()}")
    form = ("--format", f'{{{{.Label "{LABEL}"}}}}')
    found = run("docker", "ps", "--all", *ours, *form) + run(
        "docker", "network", "ls", *ours, *form
    )
    for label in {line for line in found.split() if is_orphan(line)}:
        remove_labelled(label)


def _needs_tools(node: ContainerNode, program: str) -> None:
    """Raise NotHere where neither this machine nor the image has what a fault needs."""
    if can_enter():
        return
    if run_any(*node._beside(), program, "-V")[0] != 0:
        raise NotHere(f"{program} is neither usable by this user nor in the image")
