"""What `syncd run` owes a service manager, with real processes, signals and sockets."""

import logging
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import pytest

from syncd.cli import service, show
from syncd.cli.run import first_known
from syncd.errors import ConfigError
from tests.boxes import Box

# Runs the real signal handling around a daemon that ends well, or never.
PROGRAM = """
import asyncio, sys
from syncd.cli import service, show
async def main():
    stop = asyncio.Event()
    service.end_on_signals(stop)
    print("up", flush=True)
    await stop.wait()
    print("ending", flush=True)
    if sys.argv[1] == "hangs":
        await asyncio.Event().wait()
asyncio.run(main())
"""


@contextmanager
def daemon(kind: str, **environment: str) -> Iterator["subprocess.Popen[str]"]:
    """Start the program and wait until it is up."""
    with subprocess.Popen(
        [sys.executable, "-c", PROGRAM, kind],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, **environment},
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "up\n"
        try:
            yield process
        finally:
            process.kill()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_first_signal_ends_cleanly(number: signal.Signals) -> None:
    """Exit code 0, so that no service manager starts it again."""
    with daemon("ends") as process:
        process.send_signal(number)
        assert process.wait(5) == 0


def test_a_second_signal_ends_at_once() -> None:
    """Even if the daemon hangs."""
    with daemon("hangs") as process:
        process.send_signal(signal.SIGTERM)
        assert process.stdout is not None
        assert process.stdout.readline() == "ending\n"
        started_s = time.monotonic()
        process.send_signal(signal.SIGTERM)
        assert process.wait(5) == 1
        assert time.monotonic() - started_s < 2


def test_a_daemon_that_hangs_is_gone_within_5_s_anyway() -> None:
    """One signal is enough; the next start recovers."""
    with daemon("hangs") as process:
        started_s = time.monotonic()
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 1
        assert time.monotonic() - started_s < 5.5


def test_systemd_hears_that_it_is_ready_and_that_it_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One datagram each to NOTIFY_SOCKET (sd_notify(3))."""
    path = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(path)
        systemd.settimeout(5)
        monkeypatch.setenv("NOTIFY_SOCKET", path)
        service.notify("READY=1")
        assert systemd.recv(100) == b"READY=1"
        with daemon("ends", NOTIFY_SOCKET=path) as process:
            process.terminate()
            assert systemd.recv(100) == b"STOPPING=1"


@pytest.mark.parametrize(
    ("environment", "every_s"),
    [
        ({"WATCHDOG_USEC": "6000000"}, 2.0),
        ({"WATCHDOG_USEC": "6000000", "WATCHDOG_PID": str(os.getpid())}, 2.0),
        ({"WATCHDOG_USEC": "6000000", "WATCHDOG_PID": "1"}, service.STATUS_EVERY_S),
        ({"WATCHDOG_USEC": "600000000"}, service.STATUS_EVERY_S),
        ({"WATCHDOG_USEC": "soon"}, service.STATUS_EVERY_S),
        ({}, service.STATUS_EVERY_S),
    ],
)
def test_the_watchdog_is_fed_at_a_third_of_its_time(
    monkeypatch: pytest.MonkeyPatch, environment: dict[str, str], every_s: float
) -> None:
    """As sd_watchdog_enabled(3) has it; without one, the status is renewed now and then."""
    for name in ("WATCHDOG_USEC", "WATCHDOG_PID"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert service.say_alive_every_s() == pytest.approx(every_s)


def test_a_daemon_feeds_the_watchdog_until_it_stands_still(tmp_path: Path) -> None:
    """With a real daemon: fed by its loop, with a line of status; stopped, it says nothing."""
    box = Box("edit-1", "editorial", tmp_path / "edit-1")
    box.configure()
    path = str(tmp_path / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(path)
        systemd.settimeout(30)
        command = [sys.executable, "-m", "syncd", "run", "-c", str(box.config)]
        environment = {**os.environ, "NOTIFY_SOCKET": path, "WATCHDOG_USEC": "1500000"}
        with subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL) as process:
            try:
                assert systemd.recv(500).startswith(b"READY=1\nSTATUS=")
                for _ in range(3):
                    said = systemd.recv(500)
                    assert said == b"WATCHDOG=1\nSTATUS=0 rolls under way, 0 held"
                process.send_signal(signal.SIGSTOP)
                systemd.settimeout(2)
                said_before = 0
                with suppress(TimeoutError):
                    while systemd.recv(500):
                        said_before += 1
                assert said_before <= 1, "only what was on its way"
            finally:
                process.kill()


def test_without_systemd_nothing_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """A socket that is gone is no error either."""
    for value in ("", "relative", "/nowhere/notify"):
        monkeypatch.setenv("NOTIFY_SOCKET", value)
        service.notify("READY=1")


def test_open_files_are_raised_as_far_as_allowed() -> None:
    """In a process of its own, which begins with few."""
    program = """
import resource
from syncd.cli import service, show
hard = min(resource.getrlimit(resource.RLIMIT_NOFILE)[1], 4096) \\
    if resource.getrlimit(resource.RLIMIT_NOFILE)[1] != resource.RLIM_INFINITY else 4096
resource.setrlimit(resource.RLIMIT_NOFILE, (256, hard))
service.raise_open_files()
assert resource.getrlimit(resource.RLIMIT_NOFILE)[0] == hard
"""
    subprocess.run([sys.executable, "-c", program], check=True)


def test_a_failure_in_a_part_of_the_daemon_keeps_its_words_and_its_exit_code() -> None:
    """It comes out of a task group; only if something unforeseen is in there, too, all is shown."""
    known = ConfigError("The port is taken.", remedy="Take another.")
    nested = ExceptionGroup("parts", [ExceptionGroup("one", [known]), known])
    assert first_known(nested) is known
    assert first_known(ExceptionGroup("parts", [known, ValueError("ours")])) is None


def test_a_library_that_repeats_itself_is_heard_once_a_minute() -> None:
    """A listener out of descriptors complains for each who waits; our own lines all pass."""
    script = (
        "import logging\n"
        "from syncd.cli import service\n"
        "service.log_to_stderr(verbose=False)\n"
        "for number in range(100):\n"
        "    logging.getLogger('asyncio').error('socket.accept() out of system resource')\n"
        "    logging.getLogger('syncd.wire').warning('lane %s broke', number % 2)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    lines = done.stderr.splitlines()
    assert sum("out of system resource" in line for line in lines) == 1
    assert sum("broke" in line for line in lines) == 100


def test_the_log_spells_a_name_as_lists_do() -> None:
    """A byte that is no UTF-8 is that byte, everywhere; a traceback keeps its lines."""
    record = logging.LogRecord(
        "syncd", logging.WARNING, "", 0, "bad\udcff\x1b[0m\nmore", None, None
    )
    assert service._OneLine("%(message)s").format(record) == "bad\\xff\\x1b[0m\nmore"
    assert show.plain("bad\udcff") == "bad\\xff"
