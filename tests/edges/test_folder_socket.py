"""Sockets in folders: real ones, of this process, of one that was killed, asked by another user."""

import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from syncd.edges import folder_socket
from syncd.edges.folder_socket import connect_in, is_of_folder, listen_in, remove_in

NAME = "board.sock"
NOBODY = 65534
SOON_S = 5.0


@contextmanager
def listening_in(folder: Path) -> Iterator[socket.socket]:
    """Listen for as long as the context lasts."""
    with listen_in(folder, NAME) as listening:
        yield listening


def talk(listening: socket.socket, folder: Path) -> None:
    """See that a byte comes through."""
    with connect_in(folder, NAME, SOON_S) as near:
        listening.setblocking(True)
        far, _ = listening.accept()
        with far:
            near.sendall(b"a")
            assert far.recv(1) == b"a"
            assert is_of_folder(far)


def test_what_is_said_comes_through_and_the_file_is_this_users_alone(tmp_path: Path) -> None:
    """Whatever the folder's mode and the process's umask."""
    tmp_path.chmod(0o755)
    before = os.umask(0)
    try:
        with listening_in(tmp_path) as listening:
            assert (tmp_path / NAME).stat().st_mode & 0o777 == 0o600
            talk(listening, tmp_path)
    finally:
        os.umask(before)


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
def test_another_user_is_not_let_in(tmp_path: Path) -> None:
    """In a folder that anyone may enter: EACCES, as unix(7) has it."""
    for folder in (tmp_path, *tmp_path.parents[:-2]):
        folder.chmod(0o755)
    ask = (
        "import os, socket, sys\n"
        "user = int(sys.argv[2]); os.setgroups([]); os.setgid(user); os.setuid(user)\n"
        "socket.socket(socket.AF_UNIX).connect(sys.argv[1])"
    )
    with listening_in(tmp_path):
        for user, code in ((0, 0), (NOBODY, 1)):
            done = subprocess.run(
                [sys.executable, "-c", ask, str(tmp_path / NAME), str(user)],
                capture_output=True,
                text=True,
                check=False,
            )
            assert done.returncode == code, done.stderr
    assert "PermissionError" in done.stderr


def test_what_a_killed_process_left_lets_nobody_in_and_is_replaced(tmp_path: Path) -> None:
    """After kill -9 the file is still there; connecting is refused until somebody listens anew."""
    listens = (
        "import pathlib, sys; from syncd.edges.folder_socket import listen_in\n"
        f"kept = listen_in(pathlib.Path(sys.argv[1]), {NAME!r})\n"
        "print(flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", listens, str(tmp_path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == b"\n"
        connect_in(tmp_path, NAME, SOON_S).close()
        process.kill()
    assert (tmp_path / NAME).is_socket()
    with pytest.raises(ConnectionRefusedError):
        connect_in(tmp_path, NAME, SOON_S)
    with listening_in(tmp_path) as listening:
        talk(listening, tmp_path)
    remove_in(tmp_path, NAME)
    remove_in(tmp_path, NAME)
    with pytest.raises(FileNotFoundError):
        connect_in(tmp_path, NAME, SOON_S)


def test_a_deep_folder_has_one_too(tmp_path: Path) -> None:
    """Its path is longer than the 108 bytes of sockaddr_un (unix(7))."""
    deep = tmp_path / "/".join(["salt-meridian" * 4] * 8)
    deep.mkdir(parents=True)
    assert len(str(deep)) > 400
    for folder in (deep, _with_length(tmp_path, 103), _with_length(tmp_path, 108)):
        with listening_in(folder) as listening:
            talk(listening, folder)
        assert (folder / NAME).is_socket()


def _with_length(above: Path, length: int) -> Path:
    """Return a folder in which the socket's path has so many bytes."""
    folder = above / ("f" * (length - len(str(above / "x" / NAME)) + 1))
    folder.mkdir()
    assert len(str(folder / NAME)) == length
    return folder


def test_where_there_is_no_shorter_path_an_error_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on macOS, which has no /proc: the caller goes another way."""
    monkeypatch.setattr(folder_socket, "_OPEN_FOLDERS", tmp_path / "none")
    deep = tmp_path / ("d" * 120)
    deep.mkdir()
    with pytest.raises(OSError, match="too long"):
        listen_in(deep, NAME)
    with pytest.raises(OSError, match="too long"):
        connect_in(deep, NAME, SOON_S)
    monkeypatch.delattr(socket, "AF_UNIX")
    with pytest.raises(OSError, match="no sockets in folders"):
        listen_in(tmp_path, NAME)


def test_what_is_no_socket_stays(tmp_path: Path) -> None:
    """A file of that name is nobody's leftover."""
    (tmp_path / NAME).write_text("mine")
    remove_in(tmp_path, NAME)
    with pytest.raises(OSError, match="in use"):
        listen_in(tmp_path, NAME)
    assert (tmp_path / NAME).read_text() == "mine"
