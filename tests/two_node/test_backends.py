"""What others fall back to works here as well, whichever backend the scenarios ran on."""

import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.boxes import free_port, wait_until
from tests.two_node.choosing import FORCE, Choice
from tests.two_node.leftovers import PREFIX, is_orphan, new_label
from tests.two_node.loopback import LoopbackNodes
from tests.two_node.node import Cut, Nodes
from tests.two_node.relay import Relay
from tests.two_node.rolls import make
from tests.two_node.small_disks import NodeDisk
from tests.two_node.steps import check_arrived, goes_on, start_moving

KILLED_RUN = """
import os, signal
from tests.two_node.loopback import LoopbackNodes
nodes = LoopbackNodes()
nodes.process.start()
print(nodes.folder, nodes.process.pid, flush=True)
os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.fixture(params=["namespaces", "loopback"])
def kind(request: pytest.FixtureRequest, choice: Choice) -> str:
    """Give each backend that others fall back to."""
    wanted = str(request.param)
    if why := choice.why_not(wanted):
        choice.left_out.append(f"{request.node.name}: {why}")
        pytest.skip(f"no {wanted} here: {why}")
    return wanted


def test_a_roll_is_handed_over_across_a_cut(nodes: Nodes) -> None:
    """The same steps as elsewhere, in short: moving, cut, joined, arrived."""
    roll, sent = start_moving(nodes)
    nodes.cut(nodes.process, Cut.UNPLUGGED)
    time.sleep(1)  # the cut itself
    goes_on(nodes, lambda: nodes.join(nodes.process, Cut.UNPLUGGED))
    check_arrived(nodes, roll, sent, breaks=1)
    assert len(roll.files) > 15


def test_a_difference_in_what_is_published_is_found(tmp_path: Path) -> None:
    """The look at what arrived sees a changed byte, a missing file and one too many."""
    folder = tmp_path / "A012"
    roll = make(folder, clips=2, clip_bytes=4096)
    assert roll.differences(folder) == []
    changed, missing = sorted(folder.rglob("*.mov"))
    data = bytearray(changed.read_bytes())
    data[17] ^= 1
    changed.write_bytes(data)
    missing.unlink()
    (folder / "more.mov").write_bytes(b"")

    wrong = roll.differences(folder)

    assert len(wrong) == 3, wrong


def test_a_backend_that_was_asked_for_and_does_not_work_is_no_reason_to_take_another(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Who forces one gets that one, or is told why not."""
    monkeypatch.setenv(FORCE, "pigeons")

    with pytest.raises(AssertionError, match="one of docker, namespaces, loopback"):
        Choice().best()


def test_what_a_killed_run_left_is_told_from_what_is_in_use() -> None:
    """A label has its owner in it: this process lives, and no process has the number 0."""
    assert not is_orphan(new_label())
    assert is_orphan(f"{PREFIX}0-1")
    assert not is_orphan("somebody-elses")


def test_what_a_killed_run_left_is_removed_by_the_next() -> None:
    """Daemons, mounts and folders of a run that was killed do not stay on the machine."""
    killed = subprocess.run(
        [sys.executable, "-c", KILLED_RUN], capture_output=True, text=True, timeout=60, check=False
    )
    assert killed.returncode == -signal.SIGKILL, killed.stderr
    folder, pid = killed.stdout.split()
    assert Path(folder).exists()
    assert Path("/proc", pid).exists()

    LoopbackNodes().close()

    assert not Path(folder).exists()
    wait_until(lambda: not _runs(pid), 10, f"{pid} still runs")


def test_a_held_relay_keeps_what_it_has_and_a_cut_one_ends() -> None:
    """The loopback's cable: silence loses nothing; a cut is seen at once and refuses more."""
    port = free_port()
    with socket.create_server(("127.0.0.1", port)) as server:
        relay = Relay("127.0.0.2", "127.0.0.1", (port,))
        relay.join()
        try:
            near = socket.create_connection(("127.0.0.2", port), timeout=5)
            far, _ = server.accept()
            with near, far:
                relay.hold()
                near.sendall(b"held")
                far.settimeout(0.3)
                with pytest.raises(TimeoutError):
                    far.recv(4)
                relay.join()
                far.settimeout(5)
                assert far.recv(4) == b"held"
                relay.cut()
                assert _is_over(near)
                with pytest.raises(ConnectionRefusedError):
                    socket.create_connection(("127.0.0.2", port), timeout=5)
        finally:
            relay.cut()


def test_a_small_disk_is_small(tmp_path: Path) -> None:
    """Each node's file system ends where it should, unless nothing can be mounted here."""
    disk = NodeDisk(tmp_path / "media", 64 << 20, 0)
    try:
        assert disk.kind == "folder" or disk.free_bytes < 64 << 20
        assert disk.kind != "folder" or disk.why
    finally:
        disk.close()


def _is_over(connection: socket.socket) -> bool:
    """Tell whether the other end closed or reset a connection."""
    try:
        return connection.recv(1) == b""
    except ConnectionResetError:
        return True


def _runs(pid: str) -> bool:
    """Tell whether a process runs: one that ended and that nobody has asked after does not."""
    try:
        return "State:\tZ" not in Path("/proc", pid, "status").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return False
