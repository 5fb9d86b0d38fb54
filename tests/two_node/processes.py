"""A daemon that is a process of this machine.

Owns: the process, its signals, its log file. Must not: know the network that it is in.
"""

import os
import signal
import subprocess
import sys
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

from tests.two_node.node import Node, Places


class ProcessNode(Node):
    """A daemon that is a process of this machine."""

    python = sys.executable

    def __init__(self, name: str, home: Path, media: Path) -> None:
        super().__init__(name, home, media)
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def places(self) -> Places:
        return Places(str(self.home / "syncd.toml"), str(self.home / "state"), str(self.media))

    @property
    def command(self) -> Sequence[str]:
        return (sys.executable, "-m", "syncd")

    @property
    def pid(self) -> int:
        """The daemon's process id."""
        assert self._process is not None
        return self._process.pid

    def inside(self, *argv: str) -> list[str]:
        return list(argv)

    def launch(self) -> None:
        with (self.home / "log").open("ab") as log:
            self._process = subprocess.Popen(
                self.inside(*self.command, "run", "-c", self.places.config), stdout=log, stderr=log
            )

    def kill(self) -> None:
        os.kill(self.pid, signal.SIGKILL)
        self._reap()

    def restart(self) -> None:
        self.stop()
        self.launch()

    def stop(self) -> None:
        """End it as a service manager does; after 10 s for good."""
        if not self.has_ended():
            os.kill(self.pid, signal.SIGTERM)
            with suppress(subprocess.TimeoutExpired):
                assert self._process is not None
                self._process.wait(10)
                return
            self.kill()

    def pause(self) -> None:
        os.kill(self.pid, signal.SIGSTOP)

    def resume(self) -> None:
        os.kill(self.pid, signal.SIGCONT)

    def has_ended(self) -> bool:
        return self._process is None or self._process.poll() is not None

    def log_text(self) -> str:
        log = self.home / "log"
        return log.read_text(errors="replace") if log.exists() else ""

    def close(self) -> None:
        super().close()
        if not self.has_ended():
            self.kill()

    def _reap(self) -> None:
        assert self._process is not None
        self._process.wait(10)
