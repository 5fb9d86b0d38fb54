"""`syncd fetch` while its own daemon is away: the daemon keeps the fetch, so the command waits."""

import subprocess
import sys
import time
from pathlib import Path

import pytest

from syncd.cli import fetch
from syncd.cli.client import BoardClient
from syncd.config.values import HostPort
from syncd.errors import DaemonUnreachableError
from syncd.limits import MIB
from tests.bench.staging import make_roll
from tests.boxes import DAY, Box, Pair, place_roll, wait_until

PEER = '[[peer]]\nname = "{}"\nfingerprint = "{}"\naddress = "{}:{}"\n'


class Lines:
    """What a person is told meanwhile."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def update(self, _: object) -> None:
        """Show nothing."""

    def say(self, line: str) -> None:
        """Keep a line."""
        self.said.append(line)


def test_who_waits_for_the_list_of_files_is_told_so_again_and_again(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """On stderr, and only where it takes long."""
    with fetch._telling_to_wait():
        pass
    assert capsys.readouterr().err == ""

    monkeypatch.setattr(fetch, "_LINE_EVERY_S", 0.05)
    said = ""
    with fetch._telling_to_wait():
        ends_s = time.monotonic() + 20.0
        while said.count("Asking what is in the roll") < 2 and time.monotonic() < ends_s:
            time.sleep(0.05)
            said += capsys.readouterr().err
    assert said.count("Asking what is in the roll") >= 2


def test_a_fetch_goes_on_when_its_daemon_is_killed_and_started_again(tmp_path: Path) -> None:
    """It says on stderr that it waits, and ends with the roll, as if nothing had been."""
    pair = Pair(tmp_path / "pair")
    edit = Box("edit-1", "editorial", tmp_path / "edit-1")
    box = pair.processing
    pair.configure(processing=PEER.format(edit.name, edit.fingerprint, edit.address, edit.control))
    edit.configure(PEER.format(box.name, box.fingerprint, box.address, box.control))
    with pair:
        make_roll(tmp_path / "staged", 32 * MIB, 4)
        place_roll(tmp_path / "staged", pair.landing, "A012")
        edit.start()
        try:
            pair.wait_ready("A012")
            words = ("fetch", "A012", "--to", str(tmp_path / "rushes"), "-c", str(edit.config))
            (tmp_path / "rushes").mkdir()
            with subprocess.Popen(
                [sys.executable, "-m", "syncd", *words],
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                text=True,
            ) as typed:
                wait_until(lambda: edit.api("fetches")["fetches"], 30, "it is asked for")
                time.sleep(0.2)  # for the answer to the command, which is on its way
                edit.kill()
                assert typed.stderr is not None
                before = next(line for line in typed.stderr if "does not answer" in line)
                edit.start()
                out, after = typed.communicate(timeout=60)
        finally:
            edit.stop()

    assert "waiting for up to 5 minutes" in before
    assert "The daemon answers again." in after
    assert (typed.returncode, after.count("does not answer")) == (0, 0)
    assert "A012 fetched and verified" in out
    fetched = sorted(p.name for p in (tmp_path / "rushes" / DAY / "A012").rglob("*.mov"))
    assert len(fetched) == 4


def test_a_fetch_whose_daemon_stays_away_ends_and_says_how_to_go_on(
    monkeypatch: pytest.MonkeyPatch, unused_port: int, tmp_path: Path
) -> None:
    """Exit 69 after the time that was said; once it was said, not every half second."""
    monkeypatch.setattr(fetch, "AWAY_S_MAX", 1.2)
    client = BoardClient(HostPort("127.0.0.1", unused_port), tmp_path)
    lines = Lines()

    with pytest.raises(DaemonUnreachableError) as caught:
        fetch._ask_again(client, "/api/fetches", {"day": DAY, "name": "A012"}, lines)

    assert caught.value.exit_code == 69
    assert f"The fetch of {DAY}/A012 is kept" in caught.value.remedy
    assert "run the same command again" in caught.value.remedy
    assert len(lines.said) == 1
