"""`syncd demo` as a person runs it: in a process of its own, to its end, or interrupted."""

import os
import re
import resource
import shlex
import signal
import subprocess
import sys
import uuid
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import psutil
import pytest

DEMO = [sys.executable, "-m", "syncd", "demo"]
MARK = "SYNCD_TEST_MARK"
HANG_S = 600  # a demo that takes longer hangs, however busy the machine is
END_S = 300
# Of the processors, for the demo and its daemons: load makes them wait longer, not work more.
WORK_S_MAX = 120
Start = Callable[..., "subprocess.Popen[str]"]
pytestmark = pytest.mark.timeout(HANG_S)
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


@pytest.fixture
def start() -> Iterator[Start]:
    """Start demos; whatever becomes of the test, nothing of them runs on."""
    mark = uuid.uuid4().hex
    started: list[subprocess.Popen[str]] = []

    def start_one(*options: str, **environment: str) -> "subprocess.Popen[str]":
        demo = subprocess.Popen(
            [*DEMO, *options],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1", MARK: mark, **environment},
        )
        started.append(demo)
        return demo

    yield start_one
    for demo in started:
        if demo.poll() is None:
            demo.kill()
        demo.communicate()
    for process in _marked(mark):
        with suppress(psutil.NoSuchProcess):
            process.kill()


def _marked(mark: str) -> list[psutil.Process]:
    """Return the daemons of a demo, which live on when it is killed: they inherit its mark."""
    found = []
    for process in psutil.process_iter():
        with suppress(psutil.Error):
            if process.environ().get(MARK) == mark:
                found.append(process)
    return found


def _worked_s() -> float:
    """Return how long processors have worked for what this process started and has seen end."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


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
    return subprocess.run(command, check=False, capture_output=True, text=True, timeout=END_S)


def test_the_demo_sees_everything_it_promises_with_little_work_and_space(
    start: Start, tmp_path: Path
) -> None:
    """Each step seen, by little work and in 2 GB; kept daemons answer; Ctrl-C ends them, exit 0."""
    worked_s = _worked_s()
    demo = start("--keep", "--folder", str(tmp_path / "demo"))
    said = _read_until(demo, "/metrics")

    assert demo.poll() is None, said
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
    rest, errors = demo.communicate(timeout=END_S)
    assert demo.returncode == 0, rest + errors
    assert not any(map(_is_alive, _daemons(said)))
    assert _worked_s() - worked_s < WORK_S_MAX


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_an_interrupted_demo_leaves_nothing_running(
    start: Start, tmp_path: Path, number: int
) -> None:
    """Ctrl-C, or a service manager, in mid-story: the daemons end with it, files are removed."""
    demo = start(TMPDIR=str(tmp_path))
    said = _read_until(demo, "1. evidence")
    demo.send_signal(number)
    rest, errors = demo.communicate(timeout=END_S)

    assert demo.returncode == 130, said + rest + errors
    assert "Traceback" not in errors
    assert len(_daemons(said)) == 3
    assert not any(map(_is_alive, _daemons(said)))
    assert list(tmp_path.iterdir()) == []


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    """The demo works in a new folder only."""
    (tmp_path / "mine").write_text("mine")
    done = subprocess.run(
        [*DEMO, "--folder", str(tmp_path)],
        check=False,
        capture_output=True,
        text=True,
        timeout=END_S,
    )

    assert done.returncode == 2
    assert "is not empty" in done.stdout
    assert (tmp_path / "mine").read_text() == "mine"
