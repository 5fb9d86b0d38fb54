"""Who goes when too many wait: not the one that has just come from elsewhere."""

import asyncio
import errno
import itertools
import logging

import pytest

from syncd.limits import PORCH_STAY_S
from syncd.repeats import Repeats
from syncd.wire.porch import Guest, Porch
from tests.faults.virtual_time import run_simulated
from tests.wire.conftest import WallClock
from tests.wire.memory_link import LoopClock


class Waiting:
    """Guests of some hosts, and which of them were ended."""

    def __init__(self, porch: Porch) -> None:
        self.porch = porch
        self.ended: list[str] = []

    def comes(self, host: str, name: str) -> Guest:
        """Let one more wait."""
        guest = Guest(host, lambda: self.ended.append(name))
        self.porch.take_in(guest)
        return guest


def test_the_oldest_of_the_host_that_has_the_most_goes() -> None:
    """Ten thousand from one host push out each other, and nobody else."""
    waiting = Waiting(Porch(WallClock(), 4))
    waiting.comes("10.20.0.1", "honest")
    for number in range(10_000):
        waiting.comes("10.20.0.9", f"slow {number}")
    assert waiting.ended == [f"slow {number}" for number in range(10_000 - 3)]
    assert len(waiting.porch) == 4
    assert waiting.porch.cut == 10_000 - 3


def test_addresses_of_one_network_of_ipv6_are_one_host() -> None:
    """There are more of them than anybody could hold."""
    waiting = Waiting(Porch(WallClock(), 3))
    waiting.comes("fd00:20::1", "honest")
    for number in range(1, 6):
        waiting.comes(f"fd00:9::{number}", f"slow {number}")
    assert waiting.ended == ["slow 1", "slow 2", "slow 3"]


def test_whoever_has_proved_itself_or_gone_takes_no_place() -> None:
    """Neither is ended, and both make room."""
    waiting = Waiting(Porch(WallClock(), 2))
    waiting.porch.leave(waiting.comes("10.20.0.1", "proved"))
    waiting.comes("10.20.0.9", "gone").is_gone = lambda: True
    for number in range(2):
        waiting.comes("10.20.0.9", f"slow {number}")
    assert waiting.ended == []
    waiting.porch.end_all()
    assert waiting.ended == ["slow 0", "slow 1"]


def test_without_a_descriptor_somebody_goes_and_it_is_said_once(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """With nobody to go, the next try waits."""
    waiting: list[Waiting] = []
    tries_s: list[float] = []

    async def accept() -> str:
        tries_s.append(asyncio.get_running_loop().time())
        if len(tries_s) < 4:
            raise OSError(errno.EMFILE, "Too many open files")
        if len(tries_s) > 4:
            await asyncio.sleep(30)
        return "come"

    async def accepting() -> None:
        came = asyncio.Event()
        porch = Porch(LoopClock())
        waiting.append(Waiting(porch))
        waiting[0].comes("10.20.0.9", "slow")
        log = logging.getLogger("syncd.test")
        opened = asyncio.create_task(
            porch.open(accept, lambda _: came.set(), port="bulk", repeats=Repeats(log, LoopClock()))
        )
        await came.wait()
        opened.cancel()

    run_simulated(accepting(), limit_s=60)
    assert waiting[0].ended == ["slow"]
    waits_s = [later - earlier for earlier, later in itertools.pairwise(tries_s[:4])]
    assert waits_s == pytest.approx([0.0, 2.0, 2.0], abs=0.01)
    assert [message for message in caplog.messages if "cannot accept" in message] == [
        "The bulk port cannot accept connections: [Errno 24] Too many open files."
    ]


def test_nobody_is_cut_before_it_had_the_time_to_prove_itself() -> None:
    """However fast others come: meanwhile nobody is accepted."""
    stays_s: list[float] = []

    async def flood() -> None:
        clock, porch = LoopClock(), Porch(LoopClock(), 8)
        full = asyncio.Event()

        def take(_: str) -> None:
            began_s = clock.monotonic_s()

            def end() -> None:
                stays_s.append(clock.monotonic_s() - began_s)
                if len(stays_s) == 100:
                    full.set()

            porch.take_in(Guest("10.20.0.9", end))

        async def accept() -> str:
            return "come"

        repeats = Repeats(logging.getLogger("syncd.test"), clock)
        opened = asyncio.create_task(porch.open(accept, take, port="bulk", repeats=repeats))
        await full.wait()
        opened.cancel()

    run_simulated(flood(), limit_s=60)
    assert min(stays_s) >= PORCH_STAY_S
