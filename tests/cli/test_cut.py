"""The board's port is reached and not answered: commands say so, and no falsehoods."""

import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from syncd.cli.client import BoardClient
from syncd.config.values import HostPort
from syncd.edges.state_lock import StateLock
from syncd.errors import DaemonBusyError, DaemonUnreachableError
from tests.boxes import Pair
from tests.test_pairing import Keyboard


@pytest.fixture
def cutting() -> Iterator[HostPort]:
    """Give a port at which every connection is accepted, and cut before an answer."""
    listening = socket.create_server(("127.0.0.1", 0))

    def cut() -> None:
        while True:
            try:
                listening.accept()[0].close()
            except OSError:
                return

    thread = threading.Thread(target=cut)
    thread.start()
    yield HostPort("127.0.0.1", listening.getsockname()[1])
    listening.shutdown(socket.SHUT_RDWR)
    listening.close()
    thread.join()


def test_every_command_says_that_the_daemon_runs_and_was_not_heard(
    tmp_path: Path, cutting: HostPort
) -> None:
    """Nobody is told to stop or to start anything, and nothing is done in its place."""
    pair = Pair(tmp_path)
    pair.configure()
    box = pair.offload
    config = box.config.read_text()
    box.config.write_text(config.replace(f'"127.0.0.1:{box.board}"', f'"{cutting}"'))
    assert str(cutting) in box.config.read_text()
    keyboard = Keyboard(box)
    with StateLock(box.folder / "state"):
        for words, code in (
            (("check",), 1),
            (("rolls",), 69),
            (("peers",), 69),
            (("peers", "forget", "process-1"), 69),
            (("pair", "482913"), 69),
        ):
            done = keyboard.types(*words)
            said = done.stdout + done.stderr
            assert done.returncode == code, said
            assert "The daemon runs (process " in said
            assert "somebody fills the connections of its board" in " ".join(said.split())
            for wrong in ("Stop", "does not run", "Another", "WRONG  port", "syncd run"):
                assert wrong not in said, (words, said)


def test_without_a_daemon_it_is_another_program(tmp_path: Path, cutting: HostPort) -> None:
    """Nobody holds the state folder: then whoever cuts is not ours."""
    with pytest.raises(DaemonUnreachableError) as caught:
        BoardClient(cutting, tmp_path).get("/api/rolls")
    assert not isinstance(caught.value, DaemonBusyError)
