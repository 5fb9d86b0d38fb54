"""A board that runs in a thread of its own, and the real command line that asks it."""

import asyncio
import json
import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from syncd.board.token import NAME
from syncd.config.values import HostPort
from syncd.edges.private_file import replace_private
from syncd.journal.journal import Journal
from tests.board.world import TOKEN, board_of

CONFIG = """
[node]
name = "edit-1"
roles = ["editorial"]
state = "{state}"
control = "127.0.0.1:{control}"
bulk = "127.0.0.1:0"
board = "{board}"
[[peer]]
name = "process-1"
fingerprint = "sha256:{print}"
"""


@dataclass(frozen=True)
class Result:
    """What a command gave."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Its stdout as the one JSON document it must be."""
        return json.loads(self.out)


@dataclass
class Box:
    """One box with a configuration, and `syncd` to type."""

    folder: Path
    board: HostPort
    environment: dict[str, str] = field(default_factory=dict)

    @property
    def config(self) -> Path:
        """Its configuration file, written anew."""
        path = self.folder / "syncd.toml"
        text = CONFIG.format(
            state=self.folder / "state", board=self.board, print="11" * 32, control=0
        )
        path.write_text(text)
        return path

    def syncd(self, *arguments: str, config: Path | None = None) -> Result:
        """Run a command to its end, on this box's configuration."""
        done = subprocess.run(
            [sys.executable, "-m", "syncd.cli.main", *arguments],
            check=False,
            capture_output=True,
            text=True,
            timeout=60,
            env={**os.environ, "SYNCD_CONFIG": str(config or self.config), **self.environment},
        )
        return Result(done.returncode, done.stdout, done.stderr)


@pytest.fixture
def lonely(tmp_path: Path, unused_port: int) -> Box:
    """Give a box whose daemon does not run."""
    return Box(tmp_path, HostPort("127.0.0.1", unused_port))


@pytest.fixture
def unused_port() -> int:
    """Give a port on which nothing listens."""
    import socket  # noqa: PLC0415 - nothing else here has one

    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        port: int = listener.getsockname()[1]
        return port


@pytest.fixture
def box(tmp_path: Path, journal: Journal) -> Iterator[Box]:
    """Give a box whose board answers from journal."""
    found: list[HostPort] = []
    is_up = threading.Event()
    ends: list[tuple[asyncio.AbstractEventLoop, asyncio.Event]] = []

    async def serve() -> None:
        end = asyncio.Event()
        async with board_of(journal) as board:
            found.append(board.address)
            ends.append((asyncio.get_running_loop(), end))
            is_up.set()
            await end.wait()

    thread = threading.Thread(target=lambda: asyncio.run(serve()), name="board")
    thread.start()
    assert is_up.wait(10)
    (tmp_path / "state").mkdir()
    replace_private(tmp_path / "state" / NAME, TOKEN.encode())
    yield Box(tmp_path, found[0])
    loop, end = ends[0]
    loop.call_soon_threadsafe(end.set)
    thread.join(10)
