"""`syncd passphrase`, and a daemon whose board other machines reach: asked by its own commands."""

import json
import socket
import ssl
import subprocess
import sys
import time
from pathlib import Path

import pytest

from syncd.board.passphrase import NAME
from tests.boxes import free_port
from tests.cli.conftest import Box

GOOD = "salt meridian reel twelve"
CONFIG = """
[node]
name = "edit-1"
roles = ["editorial"]
state = "{state}"
control = "127.0.0.1:{control}"
bulk = "127.0.0.1:{bulk}"
board = "0.0.0.0:{board}"
discover = false
"""


def syncd(config: Path, *words: str, said: str = "") -> subprocess.CompletedProcess[str]:
    """Run a command with something on its standard input."""
    return subprocess.run(
        [sys.executable, "-m", "syncd", *words, "-c", str(config)],
        input=said,
        check=False,
        capture_output=True,
        text=True,
        timeout=60,
    )


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """Give a configuration whose board listens everywhere."""
    ports = {key: free_port() for key in ("control", "bulk", "board")}
    path = tmp_path / "syncd.toml"
    path.write_text(CONFIG.format(state=tmp_path / "state", **ports))
    return path


def test_a_passphrase_is_read_from_standard_input_and_only_its_hash_kept(lonely: Box) -> None:
    """It says from when on it counts, and that a board on loopback needs none."""
    done = syncd(lonely.config, "passphrase", said=f"{GOOD}\nmore\n")
    assert done.returncode == 0
    assert "next start" in done.stdout
    assert "none is needed" in done.stderr
    kept = (lonely.folder / "state" / NAME).read_text()
    assert kept.startswith("$scrypt$")
    assert GOOD not in kept + done.stdout + done.stderr

    done = syncd(lonely.config, "passphrase", said="too short\n")
    assert (done.returncode, done.stdout) == (2, "")
    assert "too short" not in done.stderr
    assert (lonely.folder / "state" / NAME).read_text() == kept


def test_a_board_beyond_loopback_does_not_start_without_a_passphrase(config: Path) -> None:
    """78, with both ways out; check says the same."""
    done = syncd(config, "run")
    assert done.returncode == 78
    assert "has no passphrase" in done.stderr
    assert "syncd passphrase" in done.stderr
    assert "127.0.0.1:8842" in done.stderr
    assert "Warning" not in done.stderr, "what had begun was ended"

    checks = json.loads(syncd(config, "check", "--json").stdout)["checks"]
    board = next(check for check in checks if check["name"] == "board")
    assert not board["ok"]
    assert "syncd passphrase" in board["remedy"]


def test_commands_ask_a_board_beyond_loopback_over_tls(config: Path, tmp_path: Path) -> None:
    """They take the certificate in the state folder, and no other; check prints its fingerprint."""
    assert syncd(config, "passphrase", said=GOOD).returncode == 0
    with (tmp_path / "log").open("wb") as log:
        daemon = subprocess.Popen(
            [sys.executable, "-m", "syncd", "run", "-c", str(config)], stdout=log, stderr=log
        )
    try:
        ends_s = time.monotonic() + 30
        while (done := syncd(config, "rolls", "--json")).returncode == 69:
            assert daemon.poll() is None, (tmp_path / "log").read_text()
            assert time.monotonic() < ends_s, done.stderr
        assert (done.returncode, json.loads(done.stdout)) == (0, {"rolls": []})

        checks = json.loads(syncd(config, "check", "--json").stdout)["checks"]
        board = next(check for check in checks if check["name"] == "board")
        assert board["ok"]
        assert "its certificate is sha256:" in board["message"]
        log_text = (tmp_path / "log").read_text()
        assert board["message"].split()[-1].rstrip(".") in log_text
        assert "board on https://0.0.0.0:" in log_text

        (tmp_path / "state" / "board.sock").unlink()
        assert syncd(config, "rolls").returncode == 0, "without their own door, by the port"
        (tmp_path / "state" / "board.pem").unlink()
        assert syncd(config, "rolls").returncode == 69, "nothing is shown to a stranger"
    finally:
        daemon.terminate()
        daemon.wait(10)


def test_the_token_is_not_shown_to_another_certificate(config: Path, tmp_path: Path) -> None:
    """Whoever holds the port in place of the daemon hears no token, in any handshake."""
    from syncd.board import certificate  # noqa: PLC0415 - of this test alone

    state, other = tmp_path / "state", tmp_path / "other"
    for folder in (state, other):
        folder.mkdir()
        certificate.load_or_make(folder, ["edit-1"], time.time_ns() // 1_000_000)
    (state / "board.token").write_text("x" * 43)
    (state / "board.token").chmod(0o600)
    port = int(config.read_text().split('board = "0.0.0.0:')[1].split('"')[0])
    with socket.create_server(("127.0.0.1", port)) as listener:
        listener.settimeout(30)
        tls = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        tls.load_cert_chain(other / certificate.NAME)
        asking = subprocess.Popen(
            [sys.executable, "-m", "syncd", "rolls", "-c", str(config)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        connection, _ = listener.accept()
        # The command hangs up within the handshake, or right after its end: nothing is read.
        with (
            connection,
            pytest.raises(ssl.SSLError),
            tls.wrap_socket(connection, server_side=True) as sealed,
        ):
            assert sealed.recv(65536) == b""
        _, said = asking.communicate(timeout=30)
    assert asking.returncode == 69, said
