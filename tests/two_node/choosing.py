"""Which backend the scenarios run on here, and why not a better one; what was run on which.

Owns: the probing, and the lines of the summary. SYNCD_NODES forces one by its name.
"""

import os
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field

from tests.shell import ToolError
from tests.two_node import docker, namespaces
from tests.two_node.docker import DockerNodes
from tests.two_node.loopback import LoopbackNodes
from tests.two_node.namespaces import NamespaceNodes
from tests.two_node.node import Nodes, Settings

KINDS = ("docker", "namespaces", "loopback")  # the best first
FORCE = "SYNCD_NODES"


@dataclass
class Choice:
    """What this machine can do, asked once a session and only as far as needed.

    ran: how many scenarios ran on which. left_out: what a backend could not do.
    """

    forced: str = field(default_factory=lambda: os.environ.get(FORCE, ""))
    ran: Counter[str] = field(default_factory=Counter)
    left_out: list[str] = field(default_factory=list)
    disks: Counter[str] = field(default_factory=Counter)
    _why_not: dict[str, str] = field(default_factory=dict)
    _image: str = ""

    def why_not(self, kind: str) -> str:
        """Return why a backend cannot be used here, "" if it can; its image is then built."""
        if kind not in self._why_not:
            self._why_not[kind] = self._probe(kind)
        return self._why_not[kind]

    def best(self) -> str:
        """Return the backend to use: the one forced, else the best that works."""
        if self.forced:
            assert self.forced in KINDS, f"{FORCE}={self.forced}: it is one of {', '.join(KINDS)}"
            why = self.why_not(self.forced)
            assert not why, f"{FORCE}={self.forced} cannot be used here: {why}"
            return self.forced
        return next(kind for kind in KINDS if not self.why_not(kind))

    def make(self, kind: str, settings: Settings) -> Nodes:
        """Set up three nodes on a backend; nothing is started yet."""
        makers: dict[str, Callable[[], Nodes]] = {
            "docker": lambda: DockerNodes(settings, self._image),
            "namespaces": lambda: NamespaceNodes(settings),
            "loopback": lambda: LoopbackNodes(settings),
        }
        nodes = makers[kind]()
        self.ran[kind] += 1
        self.disks.update(disk.kind for disk in nodes.disks)
        return nodes

    def summary(self) -> list[str]:
        """Return the lines that say what ran on what, and why not on something better."""
        if not self.ran and not self.left_out:
            return []
        best = next((kind for kind in KINDS if self.ran[kind]), "")
        named = f"docker ({docker.TAG})" if best == "docker" else best
        counts = ", ".join(f"{self.ran[kind]} on {kind}" for kind in KINDS if self.ran[kind])
        disks = ", ".join(sorted(self.disks))
        lines = [f"two nodes: {named}; scenarios: {counts}; storages: {disks}"]
        lines += [f"two nodes: not on {kind}: {why}" for kind, why in self._why_not.items() if why]
        if self.forced:
            lines.append(f"two nodes: {FORCE}={self.forced} was asked for")
        return lines + [f"two nodes: left out: {what}" for what in self.left_out]

    def _probe(self, kind: str) -> str:
        if kind == "namespaces":
            return namespaces.why_not()
        if kind == "docker":
            if why := docker.why_not():
                return why
            try:
                self._image = docker.build_image()
            except ToolError as error:
                return f"docker/build failed: {str(error)[-400:]}"
        return ""
