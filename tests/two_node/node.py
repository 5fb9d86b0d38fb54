"""What a scenario may do with the boxes of a set, whatever they run on.

Owns: the interface of the three backends, and what all of them do alike: configs, keys, questions.
Must not: know how a network is made or how a process is started.
"""

import json
import subprocess
import time
from abc import ABC, abstractmethod
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from syncd.edges.chance import SystemChance
from syncd.edges.disk import RealDisk
from syncd.storage.marker import make_marker
from syncd.wire.identity import Identity
from tests.boxes import wait_until
from tests.two_node.asker import Asker, UnreachableError
from tests.two_node.leftovers import new_folder, new_label, remove_folder
from tests.two_node.small_disks import NodeDisk

OFFLOAD, PROCESS, EDIT = "offload-1", "process-1", "edit-1"
ROLES = {OFFLOAD: "offload", PROCESS: "processing", EDIT: "editorial"}
CONTROL, BULK, BOARD = 8840, 8841, 8842
START_S = 30.0


class Cut(StrEnum):
    """How the way to a node is broken."""

    UNPLUGGED = "unplugged"  # the interface vanishes and returns under another name
    LINK_DOWN = "link-down"  # the interface stays, its link goes
    SILENT = "silent"  # every packet is dropped, and nobody is told


class NotHere(Exception):  # noqa: N818 - no error: a fact about the backend
    """This backend cannot do that; the text says what and why."""


@dataclass(frozen=True)
class Places:
    """Where the daemon of one node sees its things."""

    config: str
    state: str
    media: str


@dataclass(frozen=True)
class Settings:
    """How a set is set up.

    discover: by zeroconf, with no address in any config; otherwise each [[peer]] has one.
    pinned: each config has its peers; otherwise nobody knows anybody, and the scenario pairs them.
    lanes: of the hand-off. keep_free: of the storage. media_bytes: of each small file system.
    """

    discover: bool = True
    pinned: bool = True
    lanes: int = 2
    keep_free: str = "0 B"
    media_bytes: int = 1 << 30


USUAL = Settings()


class Node(ABC):
    """One box: its daemon, its folders on this machine, and questions to its board.

    home: configuration, state and log. media: its own small file system, with `landing` and
    `staged` (offload), `rolls` (processing) or `rushes` (editorial) in it.
    """

    python = "python3"
    board = BOARD

    def __init__(self, name: str, home: Path, media: Path) -> None:
        self.name = name
        self.home = home
        self.media = media
        self._asker: Asker | None = None

    # What each backend does in its own way

    @property
    @abstractmethod
    def places(self) -> Places:
        """Where the daemon sees its things."""

    @abstractmethod
    def inside(self, *argv: str) -> list[str]:
        """Return the words that run a program where the daemon runs."""

    @abstractmethod
    def launch(self) -> None:
        """Start the daemon; do not wait."""

    @abstractmethod
    def kill(self) -> None:
        """Kill -9, and wait until it is gone."""

    @abstractmethod
    def restart(self) -> None:
        """Stop and start it as whoever runs services here does; do not wait for it."""

    @abstractmethod
    def pause(self) -> None:
        """Freeze the daemon."""

    @abstractmethod
    def resume(self) -> None:
        """Let a frozen daemon go on."""

    @abstractmethod
    def has_ended(self) -> bool:
        """Tell whether the daemon is not running."""

    @abstractmethod
    def log_text(self) -> str:
        """Return everything that the daemon ever said."""

    # What is alike

    def start(self) -> None:
        """Start the daemon and wait until its board answers."""
        self.launch()
        self.wait_up()

    def wait_up(self) -> None:
        """Wait until the board answers."""
        wait_until(self.answers, START_S, f"{self.name} does not start", state=self.log_text)

    def answers(self) -> bool:
        """Tell whether the board answers; fails at once if the daemon has ended."""
        try:
            return bool(self.api("status"))
        except UnreachableError:
            assert not self.has_ended(), f"{self.name} ended:\n{self.log_text()[-3000:]}"
            return False

    def api(self, path: str, body: Any = None) -> Any:
        """Ask the board's JSON API; a body makes it a POST. Raises UnreachableError."""
        return json.loads(self._ask(f"/api/{path}", body))

    def metric(self, name: str) -> float:
        """Return one plain sample of /metrics."""
        for line in self._ask("/metrics").splitlines():
            if line.startswith(f"{name} "):
                return float(line.split()[1])
        raise KeyError(name)

    def rolls(self) -> dict[str, Any]:
        """Return the rolls by name."""
        return {roll["name"]: roll for roll in self.api("rolls")["rolls"]}

    def peer(self, name: str) -> dict[str, Any]:
        """Return what this node says of a peer, as in `syncd peers --json`."""
        return next(peer for peer in self.api("peers")["peers"] if peer["name"] == name)

    def syncd(self, *words: str, timeout_s: float = 90.0) -> tuple[int, str, str]:
        """Run a command of syncd where the daemon runs; return exit code, stdout, stderr."""
        argv = self.inside(*self.command, *words, "-c", self.places.config)
        done = subprocess.run(
            argv,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=timeout_s,
            check=False,
        )
        return done.returncode, done.stdout, done.stderr

    @property
    def command(self) -> Sequence[str]:
        """The words that call syncd inside."""
        return ("syncd",)

    def close(self) -> None:
        """End whatever this side of the node holds."""
        if self._asker is not None:
            self._asker.close()

    def _ask(self, path: str, body: Any = None) -> str:
        if self._asker is None:
            self._asker = Asker(self.inside(), self.python, self.board, self.home / "state")
        return self._asker.get(path, body)

    @property
    def fingerprint(self) -> str:
        """The node's own, made when first asked for."""
        now_utc_ms = time.time_ns() // 1_000_000
        return Identity.load_or_make(self.home / "state", self.name, now_utc_ms).fingerprint


class Nodes(ABC):
    """The boxes of one set. Used as a context: leaving it removes everything.

    kind: the backend's name. label: what everything of this set is called after.
    """

    kind: str

    def __init__(self, settings: Settings) -> None:
        self.label = new_label()
        self.folder = new_folder(self.label)
        self.disks: list[NodeDisk] = []
        try:
            self._build(settings)
        except BaseException:
            self.close()
            raise

    # What each backend does in its own way

    @abstractmethod
    def _build(self, settings: Settings) -> None:
        """Make the nodes and what joins them; start none."""

    @abstractmethod
    def _remove_network(self) -> None:
        """Remove what joined the nodes, and what ran in it."""

    @property
    @abstractmethod
    def all(self) -> Sequence[Node]:
        """All three, in the order of the data."""

    @abstractmethod
    def cut(self, node: Node, how: Cut) -> None:
        """Break the way between node and all others. Raises NotHere."""

    @abstractmethod
    def join(self, node: Node, how: Cut) -> None:
        """Mend it again."""

    @abstractmethod
    def move(self, node: Node) -> str:
        """Give node another interface and another address; return the address. Raises NotHere."""

    @abstractmethod
    def set_rate(self, node: Node, bytes_per_s: float) -> None:
        """Let node send no faster than that, until its interface or its daemon comes anew."""

    # What is alike

    def make_folders(self, name: str, media_bytes: int, user: int) -> tuple[Path, Path]:
        """Make a node's home, and a small file system for its media; return both."""
        home, media = self.folder / name, self.folder / f"{name}-media"
        home.mkdir()
        self.disks.append(NodeDisk(media, media_bytes, user))
        return home, media

    def close(self) -> None:
        """Remove everything."""
        for node in self.all:
            node.close()
        self._remove_network()
        for disk in self.disks:
            disk.close()
        remove_folder(self.folder)

    @property
    def offload(self) -> Node:
        """The box with the landing."""
        return self.all[0]

    @property
    def process(self) -> Node:
        """The box with the storage."""
        return self.all[1]

    @property
    def edit(self) -> Node:
        """The cutting room's box."""
        return self.all[2]

    def start(self) -> None:
        """Start all three daemons and wait until their boards answer."""
        with ThreadPoolExecutor(len(self.all)) as together:
            list(together.map(lambda node: node.launch(), self.all))
        for node in self.all:
            node.wait_up()

    def __enter__(self) -> "Nodes":
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def write_config(
    node: Node,
    listen: tuple[str, str],
    peers: Sequence[tuple[Node, str | None]],
    settings: Settings,
) -> None:
    """Write a node's config. listen: control and bulk; peers: each with an address, or None."""
    own = (
        f'[node]\nname = "{node.name}"\nroles = ["{ROLES[node.name]}"]\n'
        f'state = "{node.places.state}"\ncontrol = "{listen[0]}"\nbulk = "{listen[1]}"\n'
        f'board = "127.0.0.1:{node.board}"\ndiscover = {str(settings.discover).lower()}\n'
    )
    tables = [
        own,
        *(
            _peer_table(peer, None if settings.discover else address)
            for peer, address in (peers if settings.pinned else ())
        ),
        _role_tables(node, settings),
    ]
    (node.home / "syncd.toml").write_text("\n".join(tables))
    (node.home / "state").mkdir(mode=0o700, exist_ok=True)


def _peer_table(peer: Node, address: str | None) -> str:
    at = "" if address is None else f'address = "{address}"\n'
    return f'[[peer]]\nname = "{peer.name}"\nfingerprint = "{peer.fingerprint}"\n{at}'


def _role_tables(node: Node, settings: Settings) -> str:
    """Return the tables of the node's role, and make the folders that they name."""
    media = node.places.media
    if node.name == OFFLOAD:
        _make(node.media / "landing", node.media / "staged")
        named = f'peer = "{PROCESS}"\n' if settings.pinned else ""
        return (
            f'[[landing]]\npath = "{media}/landing"\n[[destination]]\nname = "shared"\n'
            f'route = "peer"\n{named}lanes = {settings.lanes}\n'
        )
    if node.name == PROCESS:
        _make(node.media / "rolls")
        _mark(node.media / "rolls")
        return f'[storage]\npath = "{media}/rolls"\nkeep_free = "{settings.keep_free}"\n'
    _make(node.media / "rushes")
    return ""


def _make(*folders: Path) -> None:
    for folder in folders:
        folder.mkdir(parents=True, exist_ok=True)


def _mark(storage: Path) -> None:
    """Write the marker, as `syncd check --mark` does."""
    disk = RealDisk()
    root = disk.open_folder(str(storage))
    make_marker(root, SystemChance())
    root.close()
    disk.close()
