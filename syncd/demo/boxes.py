"""The demo's three boxes: real daemons, as separate processes on loopback, on the shipped configs.

Owns: their folders, ports, keys and processes; that every process is ended at the end.
Must not: reach into a daemon; what it knows comes through the board's API.
"""

import json
import os
import random
import signal
import socket
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from syncd.config.values import HostPort
from syncd.demo.api import Api, ApiError, Events
from syncd.demo.settings import Changes, example, fitted

FAR = "127.0.0.1"  # where every daemon listens
# Whom each box trusts.
PINNED = {
    "offload-1": ("process-1",),
    "process-1": ("offload-1", "edit-1"),
    "edit-1": ("process-1",),
}
START_S = 120.0  # on a machine that is busy with other work
STOP_S = 6.0
_COMMAND_S = 300.0
_PORTS = range(21_000, 31_000)  # below what systems give to outgoing connections


class BoxError(Exception):
    """A daemon or command did not do what it must; the message has its last words."""


@dataclass(frozen=True, slots=True)
class Ports:
    """Where one box listens."""

    control: int
    bulk: int
    board: int


@dataclass
class Box:
    """One box: its configuration, and its process while it runs."""

    name: str
    example: str
    folder: Path
    ports: Ports
    process: subprocess.Popen[bytes] | None = None
    _log: IO[bytes] | None = None
    _events: Events | None = None

    @property
    def config(self) -> Path:
        """Its configuration file."""
        return self.folder / f"{self.name}.toml"

    @property
    def state(self) -> Path:
        """Its journal, keys and token."""
        return self.folder / f"{self.name}-state"

    @property
    def log_path(self) -> Path:
        """What it says on stderr."""
        return self.folder / f"{self.name}.log"

    @property
    def api(self) -> Api:
        """Its board."""
        return Api(self.ports.board, self.state)

    @property
    def events(self) -> Events:
        """Its event stream, followed since start()."""
        assert self._events is not None, "events are followed from the start on"
        return self._events

    @property
    def is_running(self) -> bool:
        """Tell whether its process is there."""
        return self.process is not None and self.process.poll() is None

    @property
    def pid(self) -> int:
        """The number of its process."""
        assert self.process is not None, "only a running daemon has one"
        return self.process.pid

    def configure(self, changes: Changes, more: str = "") -> None:
        """Write the shipped example with changes, and more after it."""
        own = {
            ("node", "state"): quoted(self.state),
            ("node", "control"): quoted(f"{FAR}:{self.ports.control}"),
            ("node", "bulk"): quoted(f"{FAR}:{self.ports.bulk}"),
            ("node", "board"): quoted(f"{FAR}:{self.ports.board}"),
        }
        self.config.write_text(fitted(example(self.example), own | changes) + more)

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run a syncd command on this box's configuration."""
        return subprocess.run(  # noqa: S603 - this very program, no shell
            [sys.executable, "-m", "syncd", *words, "-c", str(self.config)],
            check=False,
            capture_output=True,
            text=True,
            timeout=_COMMAND_S,
        )

    def json(self, *words: str) -> Any:
        """Run a command with --json and return what it printed. Raises BoxError."""
        done = self.command(*words, "--json")
        try:
            return json.loads(done.stdout)
        except ValueError as error:
            said = done.stderr.strip() or done.stdout.strip()
            raise BoxError(f"syncd {' '.join(words)} on {self.name}: {said}") from error

    def start(self) -> None:
        """Start the daemon and return when it answers. Raises BoxError."""
        if self._log is not None:
            self._log.close()
        self._log = self.log_path.open("ab")
        self.process = subprocess.Popen(  # noqa: S603 - this very program, no shell
            [sys.executable, "-m", "syncd", "run", "-c", str(self.config)],
            stdin=subprocess.DEVNULL,
            stdout=self._log,
            stderr=self._log,
            start_new_session=True,  # Ctrl-C is for the demo; it ends the daemons in order
        )
        self._wait_until_it_answers()
        if self._events is None:
            self._events = Events(self.ports.board, self.state)

    def kill(self) -> None:
        """End the process as a power failure would."""
        assert self.process is not None, "only a running daemon can be killed"
        self.process.kill()
        self.process.wait()

    def stop(self) -> None:
        """End the daemon: SIGTERM, and SIGKILL if that is not enough."""
        if self._events is not None:
            self._events.close()
        if self.process is not None and self.is_running:
            self.process.send_signal(signal.SIGTERM)
            try:
                self.process.wait(STOP_S)
            except subprocess.TimeoutExpired:
                self.kill()
        if self._log is not None:
            self._log.close()

    def last_words(self, lines: int = 12) -> list[str]:
        """Return the end of its log."""
        try:
            return self.log_path.read_text(errors="replace").splitlines()[-lines:]
        except OSError:
            return []

    def _wait_until_it_answers(self) -> None:
        deadline_s = time.monotonic() + START_S
        while True:
            try:
                self.api.get("/healthz")
                return
            except ApiError as error:
                if not self.is_running or time.monotonic() > deadline_s:
                    said = "\n".join(self.last_words())
                    raise BoxError(f"{self.name} did not start: {error}\n{said}") from error
            time.sleep(0.05)


def quoted(value: object) -> str:
    """Return a value as a TOML string; JSON's form is one."""
    return json.dumps(str(value))


@dataclass
class Boxes:
    """The offload, the processing and the editorial box, and the folders they work on."""

    folder: Path
    offload: Box = field(init=False)
    processing: Box = field(init=False)
    editorial: Box = field(init=False)

    def __post_init__(self) -> None:
        ports = _free_ports(9)
        self.offload = Box("offload-1", "offload.toml", self.folder, Ports(*ports[:3]))
        self.processing = Box("process-1", "processing.toml", self.folder, Ports(*ports[3:6]))
        self.editorial = Box("edit-1", "editorial.toml", self.folder, Ports(*ports[6:]))
        self.landing, self.landing_2 = self.folder / "landing", self.folder / "landing-2"
        self.storage, self.rushes = self.folder / "storage", self.folder / "rushes"
        for folder in (self.landing, self.landing_2, self.storage, self.rushes):
            folder.mkdir(parents=True)

    @property
    def all(self) -> tuple[Box, Box, Box]:
        """Return all three."""
        return (self.offload, self.processing, self.editorial)

    def configure(
        self, *, process_at: str, lanes: int, discover: bool, ready_command: list[str]
    ) -> None:
        """Make keys and write the configurations; each box pins the others' fingerprints.

        process_at: under which host the offload box reaches the processing box.
        """
        address = HostPort(process_at, self.processing.ports.control)
        changes_of = {
            self.offload.name: self._offload_changes(lanes),
            self.processing.name: self._processing_changes(ready_command, discover=discover),
            self.editorial.name: _found_by(discover=discover),
        }
        for box in self.all:
            box.configure(changes_of[box.name])
        with ThreadPoolExecutor(3) as pool:
            answers = pool.map(lambda box: box.json("peers")["own"]["fingerprint"], self.all)
            prints = dict(zip((box.name for box in self.all), answers, strict=True))
        at = {self.offload.name: address}
        if not discover:
            at[self.editorial.name] = HostPort(FAR, self.processing.ports.control)
        for box in self.all:
            peers = [_pin(name, prints[name], at.get(box.name)) for name in PINNED[box.name]]
            second = f"\n[[landing]]\npath = {quoted(self.landing_2)}\n"
            more = "".join(peers) + (second if box is self.offload else "")
            box.configure(changes_of[box.name], more)

    def _offload_changes(self, lanes: int) -> Changes:
        """Let nobody be found, so that rolls go through the demo's cable and not past it."""
        return {
            ("node", "discover"): "false",
            ("landing", "path"): quoted(self.landing),
            ("destination", "lanes"): str(lanes),
        }

    def _processing_changes(self, ready_command: list[str], *, discover: bool) -> Changes:
        return _found_by(discover=discover) | {
            ("storage", "path"): quoted(self.storage),
            ("storage", "keep_free"): quoted("1 GB"),
            ("notice", "run"): json.dumps(ready_command),
        }

    def mark_storage(self) -> None:
        """Say that this folder is the storage, as a person does once. Raises BoxError."""
        checks = self.processing.json("check", "--mark")["checks"]
        if not any(check["name"] == "marker" and check["ok"] for check in checks):
            raise BoxError(f"the storage could not be marked: {checks}")

    def start(self) -> None:
        """Start all three. Raises BoxError."""
        with ThreadPoolExecutor(3) as pool:
            list(pool.map(Box.start, self.all))

    def stop(self) -> None:
        """End all three."""
        with ThreadPoolExecutor(3) as pool:
            list(pool.map(Box.stop, self.all))


def _pin(name: str, fingerprint: str, address: HostPort | None) -> str:
    """Return a [[peer]]: the demo's boxes know each other without a person."""
    at = "" if address is None else f"address = {quoted(address)}\n"
    return f"\n[[peer]]\nname = {quoted(name)}\nfingerprint = {quoted(fingerprint)}\n{at}"


def _found_by(*, discover: bool) -> Changes:
    changes = {("node", "discover"): json.dumps(discover)}
    if discover:
        changes["node", "interfaces"] = json.dumps([FAR])  # loopback only if asked for
    return changes


def _free_ports(count: int) -> list[int]:
    """Return ports that nobody listens on, on any loopback address."""
    found: set[int] = set()
    while len(found) < count:
        port = random.choice(_PORTS)
        if _is_free(port):
            found.add(port)
    return list(found)


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        if os.name == "posix":
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("", port))
        except OSError:
            return False
    return True
