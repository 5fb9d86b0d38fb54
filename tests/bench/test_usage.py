"""What the benchmarks say of a process is what the process knows of itself."""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from tests.bench.usage import Usage, usage_of

# Says what its own clock has counted (clock_gettime(2), CLOCK_PROCESS_CPUTIME_ID), and waits.
SPINS = """
import time
while time.process_time() < 0.3:
    pass
print(time.process_time(), flush=True)
input()
"""
SLEEPS = """
import time
for _ in range(50):
    time.sleep(0.002)
print(0, flush=True)
input()
"""


@contextmanager
def running(program: str) -> Iterator[tuple[Usage, float]]:
    """Run a program as far as its first line; give its usage then, and what the line says."""
    child = subprocess.Popen(
        [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    with child:
        assert child.stdout is not None
        said = float(child.stdout.readline())
        yield usage_of(child.pid), said
        child.communicate(b"\n")


def test_processor_time_is_what_the_process_counts_itself() -> None:
    """To the few milliseconds in which it writes that down."""
    with running(SPINS) as (usage, own_s):
        assert own_s <= usage.cpu_s < own_s + 0.05


def test_each_sleep_is_one_wake_up() -> None:
    """A process that sleeps fifty times is woken fifty times, and hardly oftener."""
    with running(SLEEPS) as (usage, _):
        assert 50 <= usage.wakes < 120
