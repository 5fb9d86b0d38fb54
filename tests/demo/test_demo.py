"""`syncd demo` as a person runs it: in a process of its own, to its end, or interrupted."""

import os
import re
import shlex
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

DEMO = [sys.executable, "-m", "syncd", "demo"]
SECONDS_MAX = 90
BYTES_MAX = 2_000_000_000
STEPS = ("evidence", "moving", "cable", "rush", "wrong bit", "same name", "ready", "fetch", "check")


def _is_alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


def _daemons(said: str) -> list[int]:
    """Return the processes that the demo said it started."""
    return [int(pid) for pid in re.findall(r"runs: process (\d+)", said)]


def _started(*options: str, **environment: str) -> "subprocess.Popen[str]":
    """Start the demo."""
    return subprocess.Popen(
        [*DEMO, *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1", **environment},
    )


def _read_until(demo: "subprocess.Popen[str]", words: str) -> str:
    """Return what the demo said up to a line with these words, or to its end."""
    said = ""
    assert demo.stdout is not None
    for line in demo.stdout:
        said += line
        if words in line:
            break
    return said


def _results(said: str) -> list[str]:
    """Return the last column of the closing table."""
    table = said[said.index("What happened") :]
    return re.findall(r"(?m)\| (yes|NO|not reached) *\|$", table)


def _used_bytes(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())


def _tried(said: str, words: str) -> "subprocess.CompletedProcess[str]":
    """Run the command that the demo proposes and that has these words."""
    line = next(line for line in said.splitlines() if words in line and " -c " in line)
    command = shlex.split(line.partition("s] ")[2])
    return subprocess.run(command, check=False, capture_output=True, text=True, timeout=60)


@pytest.mark.timeout(180)
def test_the_demo_sees_everything_it_promises_in_time_and_space(tmp_path: Path) -> None:
    """Each step seen, under 90 s and 2 GB; kept daemons answer; Ctrl-C ends them, exit 0."""
    started_s = time.monotonic()
    demo = _started("--keep", "--folder", str(tmp_path / "demo"))
    said = _read_until(demo, "/metrics")
    took_s = time.monotonic() - started_s

    assert demo.poll() is None, said
    assert took_s < SECONDS_MAX
    assert _used_bytes(tmp_path / "demo") < BYTES_MAX
    assert _results(said) == ["yes"] * len(STEPS)
    assert "not permission to clear a card" in said
    assert len(_daemons(said)) == 3
    assert all(map(_is_alive, _daemons(said)))

    # What it says to try can be tried. The second A012 is held, so `rolls` answers 1.
    assert _tried(said, " rolls ").returncode == 1
    assert "sent again" in _tried(said, " roll A013 ").stdout
    assert _tried(said, " fetch S003 ").returncode == 0

    demo.send_signal(signal.SIGINT)
    rest, errors = demo.communicate(timeout=30)
    assert demo.returncode == 0, rest + errors
    assert not any(map(_is_alive, _daemons(said)))


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_an_interrupted_demo_leaves_nothing_running(tmp_path: Path, number: int) -> None:
    """Ctrl-C, or a service manager, in mid-story: the daemons end with it, files are removed."""
    demo = _started(TMPDIR=str(tmp_path))
    said = _read_until(demo, "1. evidence")
    demo.send_signal(number)
    rest, errors = demo.communicate(timeout=30)

    assert demo.returncode == 130, said + rest + errors
    assert "Traceback" not in errors
    assert len(_daemons(said)) == 3
    assert not any(map(_is_alive, _daemons(said)))
    assert list(tmp_path.iterdir()) == []


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    """The demo works in a new folder only."""
    (tmp_path / "mine").write_text("mine")
    done = subprocess.run(
        [*DEMO, "--folder", str(tmp_path)], check=False, capture_output=True, text=True, timeout=60
    )

    assert done.returncode == 2
    assert "is not empty" in done.stdout
    assert (tmp_path / "mine").read_text() == "mine"
