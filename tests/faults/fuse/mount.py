"""Mounting the faulty file system, telling it what to do wrong, and taking it away again."""

import contextlib
import ctypes.util
import importlib.util
import os
import subprocess
import sys
from pathlib import Path

from tests.boxes import wait_until
from tests.faults.fuse.faults import Fault, save

ROOT = Path(__file__).parents[3]


def why_no_fuse() -> str:
    """Return what this machine lacks for a FUSE file system of our own; "" if nothing."""
    if not os.path.exists("/dev/fuse"):
        return "no /dev/fuse: the kernel has no FUSE, or the container is not given it"
    if os.geteuid() != 0:
        return "mounting needs root"
    if importlib.util.find_spec("mfusepy") is None:
        return "the package mfusepy is not installed (test extra)"
    if ctypes.util.find_library("fuse3") is None and ctypes.util.find_library("fuse") is None:
        return "no libfuse: install the package fuse3"
    return ""


class FaultyMount:
    """A folder that fails as told, with its backing folder and its server."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "mount"
        self.backing = folder / "backing"
        self._control = folder / "faults.json"
        self._hits = folder / "hits"
        self._log = folder / "fuse.log"
        self._server: subprocess.Popen[bytes] | None = None
        for each in (self.path, self.backing):
            each.mkdir(parents=True, exist_ok=True)
        self._hits.touch()
        self.clear()

    def mount(self) -> None:
        """Mount it, and wait until it is there."""
        arguments = (self.path, self.backing, self._control, self._hits)
        with self._log.open("ab") as log:
            self._server = subprocess.Popen(
                [sys.executable, "-m", "tests.faults.fuse.server", *map(str, arguments)],
                cwd=ROOT,
                stdout=log,
                stderr=log,
            )
        wait_until(
            self._is_mounted, 20, "the file system is not mounted", state=self._log.read_text
        )

    def _is_mounted(self) -> bool:
        assert self._server is not None
        assert self._server.poll() is None, self._log.read_text()
        return self.path.is_mount()

    def tell(self, *faults: Fault) -> None:
        """Have these go wrong from now on, instead of what was told before."""
        save(self._control, list(faults))

    def clear(self) -> None:
        """Have nothing go wrong any more."""
        self.tell()

    def hits(self) -> list[str]:
        """Return what has gone wrong so far: kind, operation, path."""
        return self._hits.read_text().splitlines()

    def kill(self) -> None:
        """End the server as a crash does: whoever uses the mount is told ENOTCONN."""
        assert self._server is not None
        self._server.kill()
        self._server.wait()

    def wait_dead(self) -> None:
        """Wait until the server has ended by itself."""
        assert self._server is not None
        self._server.wait(60)

    def unmount(self) -> None:
        """Take the mount away, also from under open files."""
        subprocess.run(["umount", "--lazy", str(self.path)], check=True)
        assert self._server is not None
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._server.wait(5)
        if self._server.poll() is None:
            self.kill()  # someone holds a file open, so the kernel keeps it

    def __enter__(self) -> "FaultyMount":
        self.mount()
        return self

    def __exit__(self, *_: object) -> None:
        if os.path.ismount(self.path) or self._server is not None:
            self.unmount()
