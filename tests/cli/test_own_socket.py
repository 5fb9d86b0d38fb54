"""Commands reach the daemon through the socket in its state folder, or else at its port."""

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from syncd.board.token import NAME, SOCKET_NAME
from syncd.cli import client
from syncd.cli.client import BoardClient
from syncd.config.values import HostPort
from syncd.edges.folder_socket import listen_in
from syncd.edges.private_file import replace_private
from syncd.edges.state_lock import StateLock
from syncd.errors import DaemonBusyError, DaemonUnreachableError
from syncd.journal.journal import Journal
from tests.board.test_beyond import far_of
from tests.board.world import TOKEN, add_roll
from tests.boxes import Box, Pair
from tests.test_pairing import Keyboard


@pytest.fixture
def alone(tmp_path: Path) -> Iterator[Box]:
    """Give an offload box whose state folder is deep and whose daemon runs."""
    pair = Pair(tmp_path / ("salt-meridian-" * 8))
    pair.configure()
    pair.offload.start()
    yield pair.offload
    pair.offload.stop()


def elsewhere(box: Box, unused: int) -> None:
    """Have the configuration name a port at which nobody listens."""
    text = box.config.read_text().replace(f'"127.0.0.1:{box.board}"', f'"127.0.0.1:{unused}"')
    box.config.write_text(text)


def test_commands_come_through_the_socket_and_over_the_port_without_it(
    alone: Box, unused_port: int
) -> None:
    """Nobody needs the port while the socket is there, nor the socket while the port is."""
    door = alone.folder / "state" / SOCKET_NAME
    keyboard = Keyboard(alone)
    before = alone.config.read_text()
    elsewhere(alone, unused_port)
    done = keyboard.types("rolls", "--json")
    assert (done.returncode, json.loads(done.stdout)) == (0, {"rolls": []}), done.stderr
    assert f"answers at {door}." in keyboard.types("check").stdout

    door.unlink()
    assert keyboard.types("rolls").returncode == 69
    alone.config.write_text(before)
    assert keyboard.types("rolls").returncode == 0
    assert f"answers at 127.0.0.1:{alone.board}." in keyboard.types("check").stdout


def test_after_a_kill_the_daemon_is_said_to_be_gone_and_the_next_one_answers(
    alone: Box, unused_port: int
) -> None:
    """The file that it left behind is in nobody's way; a daemon that ends leaves none."""
    door = alone.folder / "state" / SOCKET_NAME
    keyboard = Keyboard(alone)
    alone.kill()
    assert door.is_socket()
    done = keyboard.types("rolls")
    assert done.returncode == 69
    assert f"does not answer at 127.0.0.1:{alone.board}" in done.stderr
    alone.start()
    elsewhere(alone, unused_port)
    assert keyboard.types("rolls").returncode == 0
    assert alone.stop() == 0
    assert not door.exists()


def test_a_second_daemon_on_the_folder_takes_nothing_from_the_first(
    alone: Box, unused_port: int
) -> None:
    """It ends at the lock, before it touches the socket."""
    keyboard = Keyboard(alone)
    elsewhere(alone, unused_port)
    second = keyboard.types("run")
    assert second.returncode == 78
    assert "uses the state folder" in second.stderr
    assert keyboard.types("rolls").returncode == 0


def test_a_daemon_that_can_have_no_socket_says_so_and_works(alone: Box) -> None:
    """Something else of that name is left alone; commands take the port."""
    alone.stop()
    door = alone.folder / "state" / SOCKET_NAME
    door.mkdir()
    alone.start()
    assert Keyboard(alone).types("rolls").returncode == 0
    said = (alone.folder / "log").read_text()
    assert said.count(f"{door} cannot be had: ") == 1
    alone.stop()
    assert door.is_dir()


async def test_the_socket_asks_for_the_token_and_for_no_certificate(
    journal: Journal, tmp_path: Path
) -> None:
    """Also where the port speaks TLS only: nothing of it leaves the box."""
    add_roll(journal, "A012")
    replace_private(tmp_path / NAME, TOKEN.encode())
    async with far_of(journal, tmp_path, state=tmp_path) as far:
        asking = BoardClient(far.board.address, tmp_path)
        answer = await asyncio.to_thread(asking.get, "/api/rolls")
        assert [roll["name"] for roll in answer["rolls"]] == ["A012"]
        assert asking.where == tmp_path / SOCKET_NAME
        replace_private(tmp_path / NAME, b"x" * 43)
        with pytest.raises(DaemonUnreachableError, match="does not take the token"):
            await asyncio.to_thread(asking.get, "/api/rolls")
    assert not (tmp_path / SOCKET_NAME).exists()


def test_a_listener_that_says_nothing_is_not_waited_for_without_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, unused_port: int
) -> None:
    """A daemon that stands still takes the connection and is silent: 69, where it was asked."""
    monkeypatch.setattr(client, "ANSWER_S", 0.3)
    asking = BoardClient(HostPort("127.0.0.1", unused_port), tmp_path)
    with (
        StateLock(tmp_path),
        listen_in(tmp_path, SOCKET_NAME),
        pytest.raises(DaemonBusyError) as caught,
    ):
        asking.get("/api/rolls")
    assert str(tmp_path / SOCKET_NAME) in caught.value.problem
    assert "fills" not in caught.value.remedy
