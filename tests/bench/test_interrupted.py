"""A benchmark that is ended early leaves nothing behind."""

import signal
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

from tests.boxes import wait_until

ROOT = Path(__file__).parent.parent.parent


def daemons_below(folder: Path) -> list[str]:
    """Return the ids of the processes that have a configuration below folder, as /proc tells."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):  # it may end while we look
            if f"{folder}/".encode() in (process / "cmdline").read_bytes():
                found.append(process.name)
    return found


def test_a_terminated_run_ends_its_daemons_and_removes_its_folders(tmp_path: Path) -> None:
    """Whoever stops it, by a signal or by closing the terminal, has nothing to clean up."""
    run = subprocess.Popen(
        [sys.executable, "-m", "tests.bench", "memory", "--small"],
        cwd=tmp_path,
        env={"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin"},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    try:
        wait_until(lambda: len(daemons_below(tmp_path)) == 2, 60, "no pair was started")
        run.send_signal(signal.SIGTERM)
        code = run.wait(60)
    finally:
        run.kill()
        run.wait()

    assert code == 128 + signal.SIGTERM
    assert daemons_below(tmp_path) == []
    assert list(tmp_path.iterdir()) == []
