"""Runs syncd on a wall clock that a test steps: FILE, then syncd's own arguments.

The file holds by how many seconds this box's clock is wrong; it is looked at whenever the time is
asked for. Monotonic time is the machine's own, as it is when somebody sets a real clock.
"""

import sys
import time
from collections.abc import Callable
from pathlib import Path

from syncd.cli.main import main
from syncd.edges.clock import RealClock


def stepped(file: Path) -> Callable[[RealClock], int]:
    """Return what tells a wall clock's time that is wrong by what file holds."""

    def utc_ms(_clock: RealClock) -> int:
        return time.time_ns() // 1_000_000 + int(float(file.read_text()) * 1000)

    return utc_ms


if __name__ == "__main__":
    RealClock.utc_ms = stepped(Path(sys.argv.pop(1)))  # type: ignore[method-assign, assignment]
    main()
