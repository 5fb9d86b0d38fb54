"""Real daemons as separate processes on loopback: what kill tests and benchmarks run on."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from syncd.board.token import read_token
from syncd.edges.chance import SystemChance
from syncd.edges.disk import RealDisk
from syncd.storage.marker import make_marker
from syncd.wire.identity import Identity

DAY = "2026-03-14_D12"


_given: set[int] = set()


def free_port() -> int:
    """Return a port that nobody listens on now, and that was not returned before."""
    while True:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = int(probe.getsockname()[1])
        if port not in _given:
            _given.add(port)
            return port


@dataclass
class Box:
    """One daemon: its folder, its ports, its process.

    command: what Python is started with; another module may run syncd on other ports.
    host: the address that peers and lanes are listened for on; address: where peers reach it.
    """

    name: str
    role: str
    folder: Path
    control: int = field(default_factory=free_port)
    bulk: int = field(default_factory=free_port)
    board: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] | None = None
    log: IO[bytes] | None = None
    command: tuple[str, ...] = ("-m", "syncd")
    host: str = "127.0.0.1"
    address: str = "127.0.0.1"

    @property
    def config(self) -> Path:
        return self.folder / "syncd.toml"

    @property
    def fingerprint(self) -> str:
        state = self.folder / "state"
        return Identity.load_or_make(state, self.name, time.time_ns() // 1_000_000).fingerprint

    def configure(self, *tables: str) -> None:
        """Write the config: the node's own table, then tables as they are."""
        self.folder.mkdir(parents=True, exist_ok=True)
        node = (
            f'[node]\nname = "{self.name}"\nroles = ["{self.role}"]\n'
            f'state = "{self.folder / "state"}"\ncontrol = "{self.host}:{self.control}"\n'
            f'bulk = "{self.host}:{self.bulk}"\nboard = "127.0.0.1:{self.board}"\n'
            "discover = false\n"
        )
        self.config.write_text("\n".join((node, *tables)))

    def start(self) -> None:
        """Start the daemon and wait until its board answers."""
        self.launch()
        wait_until(self.answers, 30, f"{self.name} does not start; see {self.folder / 'log'}")

    def launch(self) -> None:
        """Start the daemon and wait for nothing."""
        self.log = (self.folder / "log").open("ab")
        self.process = subprocess.Popen(
            self.inside(sys.executable, *self.command, "run", "-c", str(self.config)),
            stdout=self.log,
            stderr=self.log,
        )

    def inside(self, *argv: str) -> list[str]:
        """Return the words that run a program where the daemon runs."""
        return list(argv)

    def answers(self) -> bool:
        """Tell whether the board answers; raises if the daemon has ended."""
        assert self.process is not None
        if self.process.poll() is not None:
            raise AssertionError((self.folder / "log").read_text()[-3000:])
        try:
            return bool(self.api("status"))
        except OSError:
            return False

    def api(self, path: str, body: Any = None) -> Any:
        """Ask the board's JSON API; a body makes it a POST. Raises OSError."""
        return json.loads(self.ask(f"/api/{path}", body))

    def metric(self, name: str) -> float:
        """Return one plain sample of /metrics. Raises OSError."""
        for line in self.ask("/metrics").splitlines():
            if line.startswith(f"{name} "):
                return float(line.split()[1])
        raise KeyError(name)

    def ask(self, path: str, body: Any = None) -> str:
        """Return what the board has at path; a body makes it a POST. Raises OSError."""
        request = urllib.request.Request(
            f"http://127.0.0.1:{self.board}{path}",
            data=None if body is None else json.dumps(body).encode(),
            headers={"Content-Type": "application/json"} | token_header(self.folder / "state"),
        )
        with urllib.request.urlopen(request, timeout=10) as answer:
            return str(answer.read().decode())

    def rolls(self) -> dict[str, Any]:
        """Return the rolls by name."""
        return {roll["name"]: roll for roll in self.api("rolls")["rolls"]}

    def kill(self) -> None:
        """Kill -9."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()
        assert self.log is not None
        self.log.close()

    def stop(self) -> int:
        """End it as a service manager does; return its exit code."""
        assert self.process is not None
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.kill()
        if self.log is not None:
            self.log.close()
        return int(self.process.returncode)

    def resident_bytes_max(self) -> int:
        """Return the most memory that the process ever had resident (VmHWM)."""
        assert self.process is not None
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        line = next(line for line in status.splitlines() if line.startswith("VmHWM"))
        return int(line.split()[1]) * 1024


def token_header(state: Path) -> dict[str, str]:
    """Return the header that shows a board the token that lies in its daemon's state folder."""
    token = read_token(state)
    return {} if token is None else {"Authorization": f"Bearer {token}"}


class Pair:
    """An offload box and a processing workstation that trust each other."""

    def __init__(
        self, folder: Path, *, landing: Path | None = None, storage: Path | None = None
    ) -> None:
        self.landing = landing or folder / "landing"
        self.storage = storage or folder / "storage"
        self.landing.mkdir(parents=True, exist_ok=True)
        self.storage.mkdir(parents=True, exist_ok=True)
        self.offload = Box("offload-1", "offload", folder / "offload-1")
        self.processing = Box("process-1", "processing", folder / "process-1")
        disk = RealDisk()
        root = disk.open_folder(str(self.storage))
        make_marker(root, SystemChance())
        root.close()
        disk.close()

    def configure(
        self, *, offload: str = "", processing: str = "", trust: str = "evidence"
    ) -> None:
        """Write both configs; offload and processing are further tables."""
        self.offload.configure(
            _peer(self.processing),
            f'[[landing]]\npath = "{self.landing}"\ntrust = "{trust}"\nsettle_s = 2\n',
            '[[destination]]\nname = "shared"\nroute = "peer"\npeer = "process-1"\n',
            offload,
        )
        self.processing.configure(
            _peer(self.offload), f'[storage]\npath = "{self.storage}"\n', processing
        )

    def configure_clear(self, net: str = "127.0.0.0/24") -> None:
        """Write both configs so that parcels travel unencrypted on net; by default on loopback."""
        table = f'[[clear]]\npeer = "{{}}"\nnet = "{net}"\n'
        self.configure(offload=table.format("process-1"), processing=table.format("offload-1"))

    def __enter__(self) -> "Pair":
        if not self.offload.config.exists():
            self.configure()
        try:
            self.processing.start()
            self.offload.start()
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        for box in (self.offload, self.processing):
            if box.process is not None:
                box.stop()

    def wait_ready(self, *names: str, timeout_s: float = 60) -> None:
        """Wait until the offload box knows that the rolls are ready."""

        def ready() -> bool:
            known = self.offload.rolls()
            return all(known.get(name, {}).get("stage") == "ready" for name in names)

        wait_until(ready, timeout_s, f"not ready: {names}", state=self.offload.rolls)


def _peer(box: Box) -> str:
    return (
        f'[[peer]]\nname = "{box.name}"\nfingerprint = "{box.fingerprint}"\n'
        f'address = "{box.address}:{box.control}"\n'
    )


def wait_until(
    is_true: Any, timeout_s: float, what: str, *, every_s: float = 0.05, state: Any = None
) -> None:
    """Wait until is_true() or fail, saying what was waited for."""
    ends = time.monotonic() + timeout_s
    while not is_true():
        if time.monotonic() > ends:
            raise AssertionError(f"{what}; after {timeout_s} s: {state() if state else ''}")
        time.sleep(every_s)


def place_roll(staged: Path, landing: Path, name: str) -> Path:
    """Let a finished roll appear on the landing at once, as one rename."""
    day = landing / DAY
    day.mkdir(parents=True, exist_ok=True)
    os.rename(staged, day / name)
    return day / name
