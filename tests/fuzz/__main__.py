"""The coverage-guided long run: python -m tests.fuzz NAME|all [--runs N] [--seed N].

Needs the group "fuzz" (pip install -e '.[test,fuzz]'). Targets run one by one, each in a process
of its own. What fails is written to --found, and the command says so and ends with 1.
"""

import argparse
import os
import random
import re
import signal
import subprocess
import sys
import tempfile
import time
from itertools import count
from pathlib import Path

from tests.fuzz.target import names

MIB = 1024 * 1024
RSS_MIB_MAX = 1024
MEMORY = Path("/dev/shm")  # where there is one: some targets write each input to a file
INPUT_S_MAX = 20
_STATUS = re.compile(r"#(\d+)\s+\w+\s+cov: (\d+) ft: (\d+)")
_DONE = re.compile(r"Done (\d+) in")


def main() -> int:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("name", choices=["all", *names()])
    parser.add_argument("--runs", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--found", type=Path, default=Path("fuzz-found"))
    parser.add_argument("--here", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.here:
        return _run_here(asked.name, asked.runs, asked.seed, asked.found)
    asked.found.mkdir(parents=True, exist_ok=True)
    chosen = names() if asked.name == "all" else [asked.name]
    print("| target | inputs | seconds | inputs/s | edges | ended |")
    print("| --- | --- | --- | --- | --- | --- |")
    rows = [_row(name, asked.runs, asked.seed, asked.found) for name in chosen]
    return 0 if all(rows) else 1


def _row(name: str, runs: int, seed: int, found: Path) -> bool:
    """Run one target in another process, print its row, tell whether it went well."""
    began_s = time.monotonic()
    folder = MEMORY if MEMORY.is_dir() else None
    with tempfile.TemporaryDirectory(prefix="syncd-fuzz-", dir=folder) as place:
        ran = subprocess.run(
            [
                *(sys.executable, "-m", "tests.fuzz", name, "--here", f"--runs={runs}"),
                *(f"--seed={seed}", f"--found={found}"),
            ],
            check=False,
            stderr=subprocess.PIPE,
            text=True,
            errors="replace",
            env={**os.environ, "TMPDIR": place},  # the fuzzer ends without cleaning up
        )
    took_s = time.monotonic() - began_s
    seen = _STATUS.findall(ran.stderr)
    done = _DONE.findall(ran.stderr)
    inputs = int(done[0]) if done else max((int(count) for count, _, _ in seen), default=0)
    edges = seen[-1][1] if seen else "0"
    (found / f"{name}.log").write_text(ran.stderr, "utf-8")
    ended = "well" if ran.returncode == 0 else f"{_how(ran.returncode)}: see {found / name}.log"
    print(
        f"| {name} | {inputs:,} | {took_s:.0f} | {inputs / took_s:,.0f} | {edges} | {ended} |",
        flush=True,
    )
    return ran.returncode == 0


def _how(code: int) -> str:
    """Say how a process ended that did not end well."""
    return f"with {code}" if code > 0 else f"by {signal.Signals(-code).name}"


def _run_here(name: str, runs: int, seed: int, found: Path) -> int:
    import atheris  # noqa: PLC0415 - only who fuzzes needs it

    with atheris.instrument_imports(include=["syncd"]):
        from tests.fuzz.mutations import mutated  # noqa: PLC0415
        from tests.fuzz.target import load  # noqa: PLC0415

        target = load(name)

    began_s, inputs = time.monotonic(), count(1)

    def one(data: bytes) -> None:
        """Try one input; after the last one end at once.

        The fuzzer's own end runs what libraries have left to be done at exit, on top of the
        interpreter that still runs: what breaks there ends the process otherwise than well, and
        says nothing of an input.
        """
        target.one(data)
        if next(inputs) >= runs:
            print(f"Done {runs} in {time.monotonic() - began_s:.0f} s", file=sys.stderr, flush=True)
            os._exit(0)

    def change(data: bytes, bytes_max: int, chance: int) -> bytes:
        """Change as the grammar has it half of the time, as the library does otherwise."""
        how = random.Random(chance)
        if how.random() < 0.5:
            return mutated(target, data, how)[:bytes_max]
        changed: bytes = atheris.Mutate(data, bytes_max)
        return changed

    with tempfile.TemporaryDirectory(prefix="syncd-fuzz-") as corpus:
        for number, data in enumerate(target.seeds()):
            (Path(corpus) / f"seed-{number}").write_bytes(data)
        limits = [
            f"-seed={seed}",
            f"-max_len={target.bytes_max}",
            f"-rss_limit_mb={RSS_MIB_MAX}",
            f"-timeout={INPUT_S_MAX}",
            f"-artifact_prefix={found}/{name}-",
            "-len_control=0",
        ]
        atheris.Setup([sys.argv[0], *limits, corpus], one, custom_mutator=change)
        atheris.Fuzz()
    return 0


if __name__ == "__main__":
    sys.exit(main())
