"""The cable between two boxes, to be pulled: two network namespaces, or a relay without them.

Owns: the namespaces, the one cable between them, and the relay. Must not: know what travels.
"""

import os
import signal
import sys
from contextlib import suppress
from enum import StrEnum
from pathlib import Path
from typing import Any, Protocol

from syncd.demo.cable import Cable
from tests.boxes import Box, Pair
from tests.shell import run
from tests.two_node.asker import Asker
from tests.two_node.leftovers import new_label
from tests.two_node.namespaces import remove_namespace, remove_orphans, why_not
from tests.two_node.network import Interface

NET = "10.78.0"


class How(StrEnum):
    """How the cable is pulled."""

    DOWN_HERE = "link down at the offload box"
    DOWN_THERE = "link down at the processing box"
    SILENT = "every packet dropped, nobody told"
    RESET = "connections reset, new ones refused"


class Way(Protocol):
    """A cable. hows: in which ways it can be pulled."""

    kind: str
    hows: tuple[How, ...]
    pair: Pair

    def cut(self, how: How) -> None:
        """Pull the cable."""

    def join(self, how: How) -> None:
        """Put it back."""

    def set_rate(self, bytes_per_s: float) -> None:
        """Let the offload box send no faster."""

    def close(self) -> None:
        """Leave nothing behind; the daemons have been ended."""


class SpaceBox(Box):
    """A daemon in a network namespace."""

    def __init__(self, name: str, role: str, folder: Path, space: str, address: str) -> None:
        super().__init__(name, role, folder, 8840, 8841, 8842, host=address, address=address)
        self.space = space
        self.interface = Interface(self.inside)
        self._asker: Asker | None = None

    def inside(self, *argv: str) -> list[str]:
        return ["ip", "netns", "exec", self.space, *argv]

    def ask(self, path: str, body: Any = None) -> str:
        if self._asker is None:
            self._asker = Asker(self.inside(), sys.executable, self.board, self.folder / "state")
        return self._asker.get(path, body)

    def close(self) -> None:
        """End the daemon if it runs, the program that asks it, and the namespace."""
        if self.process is not None and self.process.poll() is None:
            with suppress(ProcessLookupError):
                os.kill(self.process.pid, signal.SIGKILL)
            self.process.wait()
        if self._asker is not None:
            self._asker.close()
        remove_namespace(self.space)


class SpaceWay:
    """Two namespaces with one cable between them. Needs root."""

    kind = "network namespaces"
    hows: tuple[How, ...] = (How.DOWN_HERE, How.DOWN_THERE, How.SILENT)

    def __init__(self, folder: Path) -> None:
        remove_orphans()
        label = new_label()
        self.pair = Pair(folder)
        self.near = SpaceBox(
            "offload-1", "offload", folder / "offload-1", f"{label}-near", f"{NET}.1"
        )
        self.far = SpaceBox(
            "process-1", "processing", folder / "process-1", f"{label}-far", f"{NET}.2"
        )
        self.pair.offload, self.pair.processing = self.near, self.far
        try:
            self._build()
        except BaseException:
            self.close()
            raise

    def cut(self, how: How) -> None:
        match how:
            case How.DOWN_HERE:
                self.near.interface.down()
            case How.DOWN_THERE:
                self.far.interface.down()
            case _:
                self.far.interface.drop_all()

    def join(self, how: How) -> None:
        match how:
            case How.DOWN_HERE:
                self.near.interface.up()
            case How.DOWN_THERE:
                self.far.interface.up()
            case _:
                self.far.interface.pass_all()

    def set_rate(self, bytes_per_s: float) -> None:
        self.near.interface.set_rate(bytes_per_s)

    def close(self) -> None:
        self.near.close()
        self.far.close()

    def _build(self) -> None:
        for box in (self.near, self.far):
            run("ip", "netns", "add", box.space)
            run("ip", "-n", box.space, "link", "set", "lo", "up")
        ends = ("type", "veth", "peer", "name", "cable", "netns", self.far.space)
        run("ip", "-n", self.near.space, "link", "add", "cable", *ends)
        for box in (self.near, self.far):
            run("ip", "-n", box.space, "address", "add", f"{box.address}/24", "dev", "cable")
            run("ip", "-n", box.space, "link", "set", "cable", "up")


class RelayWay:
    """A relay on loopback, where there are no namespaces to be had."""

    kind = "a relay on loopback"
    hows: tuple[How, ...] = (How.RESET,)

    def __init__(self, folder: Path) -> None:
        self.pair = Pair(folder)
        box = self.pair.processing
        box.address = "127.0.0.2"
        self._cable = Cable(box.address, box.host, (box.control, box.bulk), 1e9)

    def cut(self, how: How) -> None:  # noqa: ARG002 - there is one
        self._cable.cut()

    def join(self, how: How) -> None:  # noqa: ARG002
        self._cable.join()

    def set_rate(self, bytes_per_s: float) -> None:
        self._cable.bytes_per_s = bytes_per_s

    def close(self) -> None:
        self._cable.close()


def make_way(folder: Path) -> Way:
    """Return the best cable that this machine has."""
    return RelayWay(folder) if why_not() else SpaceWay(folder)
