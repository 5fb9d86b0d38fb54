"""Running the system's tools: one call, an error that says what the tool said."""

import os
import subprocess
from collections.abc import Mapping
from pathlib import Path

RUN_S = 60.0


class ToolError(AssertionError):
    """A tool of the system failed; the text has its words."""


def run(
    *argv: str | Path,
    cwd: Path | None = None,
    env: Mapping[str, str] | None = None,
    timeout_s: float = RUN_S,
) -> str:
    """Run a program and return what it printed. Raises ToolError if it fails or takes too long.

    env: what is different from this process's environment.
    """
    code, printed, said = run_any(*argv, cwd=cwd, env=env, timeout_s=timeout_s)
    if code != 0:
        raise ToolError(f"{' '.join(map(str, argv))}: exit {code}\n{printed}{said}")
    return printed


def run_any(
    *argv: str | Path,
    cwd: Path | None = None,
    env: Mapping[str, str] | None = None,
    timeout_s: float = RUN_S,
) -> tuple[int, str, str]:
    """Run a program that may fail; return its exit code, stdout, stderr."""
    try:
        done = subprocess.run(
            [str(word) for word in argv],
            cwd=cwd,
            env={**os.environ, **(env or {})},
            capture_output=True,
            text=True,
            timeout=timeout_s,
            check=False,
            errors="replace",
        )
    except FileNotFoundError as error:
        return 127, "", str(error)
    except subprocess.TimeoutExpired as error:
        return 124, "", f"still not done after {timeout_s:.0f} s: {error.stderr!r}"
    return done.returncode, done.stdout, done.stderr


def works(*argv: str, timeout_s: float = RUN_S) -> bool:
    """Tell whether a program runs and is content."""
    return run_any(*argv, timeout_s=timeout_s)[0] == 0
