"""Two real daemons in two network namespaces, joined by a switch in a third; the cable is ours.

Owns: namespaces, veth pairs, a bridge, and what can be done to them: a plug pulled, packets dropped
in silence, another address. Nothing of this machine's own network is touched.
"""

import ctypes
import json
import os
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from syncd.edges.chance import SystemChance
from syncd.edges.disk import RealDisk
from syncd.storage.marker import make_marker
from syncd.wire.identity import Identity

T = TypeVar("T")

CLONE_NEWNET = 0x40000000
WAIT_S = 30.0


def is_possible() -> bool:
    """Tell whether this machine lets us make network namespaces and join them."""
    name = f"syncd-try-{os.getpid()}"
    try:
        made = subprocess.run(
            ["ip", "netns", "add", name], capture_output=True, check=False
        ).returncode
    except FileNotFoundError:
        return False
    if made != 0:
        return False
    joined = subprocess.run(
        ["ip", "-n", name, "link", "add", "a0", "type", "veth", "peer", "name", "b0"],
        capture_output=True,
        check=False,
    ).returncode
    subprocess.run(["ip", "netns", "del", name], check=True)
    return joined == 0


def run(*words: str) -> str:
    """Run one command of the system; raises if it fails, with what it said."""
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    if done.returncode != 0:
        raise AssertionError(f"{' '.join(words)}: {done.stderr}")
    return done.stdout


def within(namespace: str, work: Callable[[], T]) -> T:
    """Run work in a thread that lives in a network namespace."""
    outcome: list[T] = []
    errors: list[BaseException] = []

    def there() -> None:
        try:
            with Path(f"/var/run/netns/{namespace}").open("rb") as handle:
                libc = ctypes.CDLL(None, use_errno=True)
                assert libc.setns(handle.fileno(), CLONE_NEWNET) == 0, ctypes.get_errno()
            outcome.append(work())
        except BaseException as error:  # noqa: BLE001 - raised again below
            errors.append(error)

    thread = threading.Thread(target=there)
    thread.start()
    thread.join()
    if errors:
        raise errors[0]
    return outcome[0]


class NetBox:
    """One daemon in a network namespace of its own; its port on the switch is called after it."""

    def __init__(self, net: "Net", name: str, role: str, address: str, folder: Path) -> None:
        self.net = net
        self.name = name
        self.role = role
        self.address = address
        self.folder = folder
        self.namespace = f"{net.label}-{name}"
        self.port = f"p-{name}"
        self.process: subprocess.Popen[bytes] | None = None
        folder.mkdir(parents=True, exist_ok=True)
        run("ip", "netns", "add", self.namespace)
        run("ip", "-n", self.namespace, "link", "set", "lo", "up")
        run(
            *("ip", "-n", net.switch, "link", "add", self.port, "type", "veth"),
            *("peer", "name", "eth0", "netns", self.namespace),
        )
        run("ip", "-n", net.switch, "link", "set", self.port, "master", "br0")
        run("ip", "-n", net.switch, "link", "set", self.port, "up")
        self.set_address(address)
        self.ip("link", "set", "eth0", "up")

    def ip(self, *words: str) -> str:
        """Run ip within the namespace."""
        return run("ip", "-n", self.namespace, *words)

    def set_address(self, address: str) -> None:
        """Have this address and no other."""
        self.ip("addr", "flush", "dev", "eth0")
        self.ip("addr", "add", f"{address}/24", "dev", "eth0")
        self.address = address

    # The cable

    def pull(self) -> None:
        """Pull the plug at the switch: this box's interface has no carrier any more."""
        run("ip", "-n", self.net.switch, "link", "set", self.port, "down")

    def plug(self) -> None:
        """Put the plug back."""
        run("ip", "-n", self.net.switch, "link", "set", self.port, "up")

    def drop_in_silence(self) -> None:
        """Have the switch pass nothing on, while both ends still see a carrier."""
        run("bridge", "-n", self.net.switch, "link", "set", "dev", self.port, "state", "0")

    def pass_on(self) -> None:
        """Have the switch work again."""
        run("bridge", "-n", self.net.switch, "link", "set", "dev", self.port, "state", "3")

    def shape(self, rate: str) -> None:
        """Let what this box sends pass at a rate such as 400mbit."""
        run(
            *("tc", "-n", self.namespace, "qdisc", "replace", "dev", "eth0", "root"),
            *("tbf", "rate", rate, "burst", "256kb", "latency", "20ms"),
        )

    def sent_bytes(self) -> int:
        """Return what this box has put on its cable so far."""
        links = json.loads(self.ip("-s", "-j", "link", "show", "dev", "eth0"))
        return int(links[0]["stats64"]["tx"]["bytes"])

    # The daemon

    @property
    def config(self) -> Path:
        return self.folder / "syncd.toml"

    @property
    def fingerprint(self) -> str:
        state = self.folder / "state"
        return Identity.load_or_make(state, self.name, time.time_ns() // 1_000_000).fingerprint

    def configure(self, *tables: str, discover: bool = False) -> None:
        """Write the config: the node's own table, then tables as they are."""
        node = (
            f'[node]\nname = "{self.name}"\nroles = ["{self.role}"]\n'
            f'state = "{self.folder / "state"}"\ncontrol = "0.0.0.0:8840"\n'
            f'bulk = "0.0.0.0:8841"\nboard = "127.0.0.1:8842"\n'
            f"discover = {str(discover).lower()}\n"
        )
        self.config.write_text("\n".join((node, *tables)))

    def start(self) -> None:
        """Start the daemon and wait until its board answers."""
        log = (self.folder / "log").open("ab")
        self.process = subprocess.Popen(
            [
                *("ip", "netns", "exec", self.namespace),
                *(sys.executable, "-m", "syncd", "run", "-v", "-c", str(self.config)),
            ],
            stdout=log,
            stderr=log,
        )
        log.close()
        wait_until(self._answers, WAIT_S, f"{self.name} does not start: {self.log()}")

    def _answers(self) -> bool:
        assert self.process is not None
        assert self.process.poll() is None, self.log()
        try:
            return bool(self.api("status"))
        except OSError:
            return False

    def log(self) -> str:
        """Return the end of what the daemon has logged."""
        path = self.folder / "log"
        return path.read_text()[-6000:] if path.exists() else ""

    def api(self, path: str) -> Any:
        """Ask the board, from within the namespace."""

        def ask() -> Any:
            url = f"http://127.0.0.1:8842/api/{path}"
            with urllib.request.urlopen(url, timeout=10) as answer:
                return json.load(answer)

        return within(self.namespace, ask)

    def roll(self, name: str) -> dict[str, Any]:
        """Return one roll, or {} if it is not known (yet)."""
        found = [roll for roll in self.api("rolls")["rolls"] if roll["name"] == name]
        return dict(found[0]) if found else {}

    def connections(self) -> list[str]:
        """Return the established connections of this box that are not its own with itself."""
        lines = run("ip", "netns", "exec", self.namespace, "ss", "-Htn", "state", "established")
        return [line for line in lines.splitlines() if "127.0.0.1" not in line]

    def stop(self) -> None:
        """End the daemon."""
        if self.process is not None and self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(10)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()


class Net:
    """An offload box and a workstation, each plugged into one switch."""

    def __init__(self, folder: Path) -> None:
        self.label = f"sm{os.getpid()}"
        self.switch = f"{self.label}-switch"
        self.folder = folder
        self.landing = folder / "landing"
        self.storage = folder / "storage"
        run("ip", "netns", "add", self.switch)
        run("ip", "-n", self.switch, "link", "add", "br0", "type", "bridge")
        run("ip", "-n", self.switch, "link", "set", "br0", "up")
        self.offload = NetBox(self, "offload-1", "offload", "10.20.0.1", folder / "offload-1")
        self.processing = NetBox(self, "process-1", "processing", "10.20.0.2", folder / "process-1")

    @property
    def boxes(self) -> tuple[NetBox, NetBox]:
        return self.processing, self.offload

    def prepare(self, *, discover: bool = False) -> None:
        """Write both configs and mark the storage."""
        self.landing.mkdir(parents=True, exist_ok=True)
        self.storage.mkdir(parents=True, exist_ok=True)
        disk = RealDisk()
        root = disk.open_folder(str(self.storage))
        make_marker(root, SystemChance())
        root.close()
        disk.close()
        self.offload.configure(
            _peer(self.processing, with_address=not discover),
            f'[[landing]]\npath = "{self.landing}"\nsettle_s = 2\n',
            '[[destination]]\nname = "shared"\nroute = "peer"\npeer = "process-1"\n',
            discover=discover,
        )
        self.processing.configure(
            _peer(self.offload, with_address=not discover),
            f'[storage]\npath = "{self.storage}"\n',
            discover=discover,
        )

    def start(self) -> None:
        """Start both daemons."""
        for box in self.boxes:
            box.start()

    def close(self) -> None:
        """End both daemons and take the namespaces away."""
        for box in self.boxes:
            box.stop()
        for name in (*(box.namespace for box in self.boxes), self.switch):
            run("ip", "netns", "del", name)


@contextmanager
def joined(folder: Path, *, discover: bool = False) -> Iterator[Net]:
    """Give two running daemons and the cable between them."""
    net = Net(folder)
    try:
        net.prepare(discover=discover)
        net.start()
        yield net
    finally:
        net.close()


def _peer(box: NetBox, *, with_address: bool) -> str:
    address = f'address = "{box.address}:8840"\n' if with_address else ""
    return f'[[peer]]\nname = "{box.name}"\nfingerprint = "{box.fingerprint}"\n{address}'


def wait_until(
    is_true: Callable[[], object], timeout_s: float, what: str, *, every_s: float = 0.05
) -> float:
    """Wait until is_true() or fail, saying what was waited for; return how long it took."""
    began_s = time.monotonic()
    while not is_true():
        if time.monotonic() - began_s > timeout_s:
            raise AssertionError(f"{what}; after {timeout_s} s")
        time.sleep(every_s)
    return time.monotonic() - began_s
