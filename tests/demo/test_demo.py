"""`syncd demo` as a person runs it: in a process of its own, to its end, or interrupted."""

import os
import re
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


@pytest.mark.timeout(180)
def test_the_demo_sees_everything_it_promises_in_time_and_space(tmp_path: Path) -> None:
    """Exit 0, each step seen, under 90 s and 2 GB, and no daemon left."""
    started_s = time.monotonic()
    done = subprocess.run(
        [*DEMO, "--folder", str(tmp_path / "demo")],
        check=False,
        capture_output=True,
        text=True,
        timeout=170,
    )
    took_s = time.monotonic() - started_s

    assert done.returncode == 0, done.stdout + done.stderr
    assert took_s < SECONDS_MAX
    table = done.stdout[done.stdout.index("What happened") :]
    results = re.findall(r"(?m)\| (yes|NO|not reached) *\|$", table)
    assert results == ["yes"] * len(STEPS)
    files = (path for path in (tmp_path / "demo").rglob("*") if path.is_file())
    assert sum(path.stat().st_size for path in files) < BYTES_MAX
    assert len(_daemons(done.stdout)) == 3
    assert not any(map(_is_alive, _daemons(done.stdout)))
    assert "not permission to clear a card" in done.stdout


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_an_interrupted_demo_leaves_nothing_running(tmp_path: Path, number: int) -> None:
    """Ctrl-C, or a service manager, in mid-story: the daemons end with it, files are removed."""
    demo = subprocess.Popen(
        DEMO,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "TMPDIR": str(tmp_path), "PYTHONUNBUFFERED": "1"},
    )
    said = ""
    assert demo.stdout is not None
    for line in demo.stdout:
        said += line
        if "1. evidence" in line:
            break
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
