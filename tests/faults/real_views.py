"""What is seen of a real daemon: commands, the event stream, the log."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.boxes import Box, wait_until


def command(box: Box, *arguments: str) -> tuple[int, str]:
    """Run one of syncd's commands against box; return its exit code and what it says."""
    done = subprocess.run(
        [sys.executable, "-m", "syncd", *arguments, "-c", str(box.config)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    return done.returncode, done.stdout + done.stderr


def listing(box: Box, *arguments: str) -> Any:
    """Return what a command with --json prints."""
    code, text = command(box, *arguments, "--json")
    assert code in {0, 1}, text
    return json.loads(text)


def log_lines(box: Box) -> list[str]:
    """Return what the daemon has logged."""
    return (box.folder / "log").read_text().splitlines()


def held_of(box: Box, name: str) -> dict[str, Any]:
    """Return why a roll is held on box; empty if it is not."""
    return dict(box.rolls().get(name, {}).get("held") or {})


def wait_held(box: Box, name: str, code: str, timeout_s: float = 30) -> dict[str, Any]:
    """Wait until a roll is held for a reason; return what is said of it."""

    def is_held() -> bool:
        return bool(held_of(box, name).get("code") == code)

    wait_until(is_held, timeout_s, f"{name} is not held {code}", state=box.rolls)
    return held_of(box, name)


class Following:
    """`syncd follow --json` on one box, for the length of a block."""

    def __init__(self, box: Box) -> None:
        self._box = box
        self._file: Path = box.folder / "events"
        self._process: subprocess.Popen[bytes] | None = None

    def events(self) -> list[dict[str, Any]]:
        """Return the events so far, without a line that is being written."""
        whole = self._file.read_text().rpartition("\n")[0]
        return [json.loads(line) for line in whole.splitlines()]

    def types_to(self, last: str) -> list[str]:
        """Wait for an event of type last; return the types of all so far."""

        def types() -> list[str]:
            return [event["type"] for event in self.events()]

        wait_until(lambda: last in types(), 15, f"no event {last}", state=types)
        return types()

    def __enter__(self) -> "Following":
        with self._file.open("wb") as file:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "syncd", "follow", "--json", "-c", str(self._box.config)],
                stdout=file,
                stderr=subprocess.DEVNULL,
            )
        return self

    def __exit__(self, *_: object) -> None:
        assert self._process is not None
        self._process.terminate()
        self._process.wait()
