"""How long bytes travelled, as the kernel counts them at one end of a cable.

Owns: looking, in a thread that lives in the network namespace. Must not: know what travels.
"""

import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

from tests.two_node.namespaces import within

EVERY_S = 0.005
# What is said on the cable before a roll travels, and after it.
TALK_BYTES = 128 << 10


class Look(NamedTuple):
    """One look. at_s: monotonic. received_bytes: ever."""

    at_s: float
    received_bytes: int


class CableMeter:
    """Looks at a namespace's end of the cable, from enter to exit."""

    def __init__(self, space: str, device: str = "cable") -> None:
        self._space = space
        self._device = device
        self._began = threading.Event()
        self._ended = threading.Event()
        self._pool = ThreadPoolExecutor(1)
        self.looks: list[Look] = []

    def __enter__(self) -> "CableMeter":
        self._run = self._pool.submit(within, self._space, self._look_on)
        while not self._began.wait(EVERY_S) and not self._run.done():
            pass  # it looks, or it failed and says so on exit
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        with self._pool:
            self._run.result()

    def travelled_s(self) -> float:
        """Return the seconds from the first bytes to the last ones."""
        return travelled_s(self.looks)

    def _look_on(self) -> None:
        while True:
            is_last = self._ended.wait(EVERY_S)
            table = Path("/proc/thread-self/net/dev").read_text()
            line = next(line for line in table.splitlines() if f"{self._device}:" in line)
            self.looks.append(Look(time.monotonic(), int(line.split(":")[1].split()[0])))
            self._began.set()
            if is_last:
                return


def travelled_s(looks: list[Look]) -> float:
    """Return the seconds between the last look before much had come, and the first with nearly all.

    Raises AssertionError if nothing came.
    """
    first, last = looks[0].received_bytes + TALK_BYTES, looks[-1].received_bytes - TALK_BYTES
    assert last > first, "nothing travelled"
    began_s = max(look.at_s for look in looks if look.received_bytes <= first)
    ended_s = min(look.at_s for look in looks if look.received_bytes >= last)
    return ended_s - began_s
