"""Runs one benchmark, prints its table, and writes it as JSON if asked to."""

import argparse
import json
import signal
import sys
from pathlib import Path
from types import FrameType

from tests.bench import (
    evidence,
    idle,
    inventories,
    journal,
    latency,
    links,
    memory,
    pulls,
    rush,
    sequence,
    small_files,
    terabyte,
    throughput,
)
from tests.bench.table import Table

BENCHMARKS = {
    "throughput": throughput.run,
    "small-files": small_files.run,
    "sequence": sequence.run,
    "links": links.run,
    "memory": memory.run,
    "latency": latency.run,
    "idle": idle.run,
    "rush": rush.run,
    "evidence": evidence.run,
    "journal": journal.run,
    "inventories": inventories.run,
    "terabyte": terabyte.run,
    "pulls": pulls.run,
}


def main() -> int:
    """Run what the command line names; 1 if a goal was missed."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("name", nargs="?", choices=sorted(BENCHMARKS))
    parser.add_argument("--json", type=Path, help="write the table to this file, too")
    parser.add_argument("--small", action="store_true", help="much smaller, for a try")
    given = parser.parse_args()
    for number in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, _end)
    if given.name is None:
        for name, run in BENCHMARKS.items():
            print(f"{name:12} {(sys.modules[run.__module__].__doc__ or '').splitlines()[0]}")
        return 0
    table: Table = BENCHMARKS[given.name](small=given.small)
    table.show()
    if given.json is not None:
        given.json.write_text(json.dumps(table.plain(), indent=1) + "\n")
    return 1 if table.missed else 0


def _end(number: int, _: FrameType | None) -> None:
    """End as at Ctrl-C: daemons are ended on the way out, and folders removed."""
    raise SystemExit(128 + number)


if __name__ == "__main__":
    sys.exit(main())
