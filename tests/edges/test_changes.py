"""Plugs, addresses and sleep of this machine, noticed once each."""

import asyncio
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import pytest

from syncd.edges import changes
from syncd.edges.changes import STOOD_STILL_S, Changes, Way, sleep_so_far_s, ways
from tests.shell import run
from tests.two_node.leftovers import new_label
from tests.two_node.namespaces import remove_namespace, why_not, within

CABLE: Way = ("eth0", "10.20.0.1")


class Machine:
    """A machine whose network and sleep are set by hand."""

    def __init__(self) -> None:
        self.ways: frozenset[Way] = frozenset({CABLE})
        self.slept_s = 100.0
        self.looks = 0
        self.told: list[str] = []

    def look(self) -> frozenset[Way]:
        self.looks += 1
        return self.ways

    async def has_looked(self) -> None:
        """Wait for two more looks."""
        looks = self.looks
        async with asyncio.timeout(10):
            while self.looks < looks + 2:  # noqa: ASYNC110 - the looks are in another thread
                await asyncio.sleep(0.01)
        await asyncio.sleep(0.01)


@asynccontextmanager
async def watched(monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[Machine]:
    """Watch a machine, at a quick pace."""
    monkeypatch.setattr(changes, "LOOK_S", 0.02)
    monkeypatch.setattr(changes, "HEARD_LOOK_S", 0.02)
    machine = Machine()
    watch = Changes(machine.told.append, look=machine.look, slept_s=lambda: machine.slept_s)
    running = asyncio.create_task(watch.run())
    await machine.has_looked()
    try:
        yield machine
    finally:
        running.cancel()
        await asyncio.wait({running})


async def test_a_plug_and_an_address_are_told_by_name(monkeypatch: pytest.MonkeyPatch) -> None:
    """Out, in, and under another address; and nothing while nothing changes."""
    async with watched(monkeypatch) as machine:
        await machine.has_looked()
        assert machine.told == []
        machine.ways = frozenset()
        await machine.has_looked()
        machine.ways = frozenset({("eth0", "10.20.0.9")})
        await machine.has_looked()
        await machine.has_looked()
    assert machine.told == ["10.20.0.1 on eth0 has gone", "10.20.0.9 on eth0 is there"]


async def test_sleep_is_told_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Also if the clock that we wait by stood still meanwhile; a moment's pause is none."""
    async with watched(monkeypatch) as machine:
        machine.slept_s += STOOD_STILL_S / 2
        await machine.has_looked()
        assert machine.told == []
        machine.slept_s += 3600
        await machine.has_looked()
        await machine.has_looked()
    assert machine.told == ["this box slept, or stood still, for 3600 s"]


@pytest.mark.skipif(not hasattr(socket, "AF_NETLINK"), reason="this kernel says nothing")
async def test_nobody_looks_while_the_kernel_would_say_what_happens(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Each look takes a thread and asks for all interfaces; sleep shows without one."""
    async with watched(monkeypatch) as machine:
        monkeypatch.setattr(changes, "HEARD_LOOK_S", 3600.0)
        looks = machine.looks
        await asyncio.sleep(0.5)
        assert machine.looks <= looks + 2, "one was under way, and one may have been due"
        machine.slept_s += 3600
        await asyncio.sleep(0.5)
    assert machine.told == ["this box slept, or stood still, for 3600 s"]


async def test_where_the_kernel_says_nothing_links_are_looked_at_all_the_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A plug is noticed as soon there."""
    monkeypatch.delattr(socket, "AF_NETLINK", raising=False)
    async with watched(monkeypatch) as machine:
        monkeypatch.setattr(changes, "HEARD_LOOK_S", 3600.0)
        for _ in range(5):
            await machine.has_looked()


def test_a_process_that_was_stopped_tells_it_when_it_goes_on() -> None:
    """Real clocks, a real stop: a laptop's lid cannot be closed here."""
    code = (
        "import asyncio\n"
        "from syncd.edges.changes import Changes\n"
        "async def main():\n"
        "    running = asyncio.create_task(Changes(lambda what: print(what, flush=True)).run())\n"
        "    await asyncio.sleep(1)\n"
        "    print('looking', flush=True)\n"
        "    await running\n"
        "asyncio.run(main())\n"
    )
    words = [sys.executable, "-c", code]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "looking\n"
        os.kill(process.pid, signal.SIGSTOP)
        time.sleep(STOOD_STILL_S + 2)  # for so long it stands still
        os.kill(process.pid, signal.SIGCONT)
        said = process.stdout.readline()
        process.kill()
    assert "stood still" in said


def test_this_machine_can_be_asked() -> None:
    """What leads nowhere is left out, and it has not slept since the last question."""
    assert all(address != "127.0.0.1" for _, address in ways())
    assert abs(sleep_so_far_s() - sleep_so_far_s()) < 1


@pytest.mark.skipif(bool(why_not()), reason=f"no network namespaces here: {why_not()}")
def test_the_kernel_says_at_once_that_an_address_is_there(monkeypatch: pytest.MonkeyPatch) -> None:
    """Long before the next look is due."""
    monkeypatch.setattr(changes, "LOOK_S", 60.0)
    name = new_label()

    async def plug_in() -> str:
        told: asyncio.Queue[str] = asyncio.Queue()
        looked = threading.Event()

        def look() -> frozenset[Way]:
            found = ways()
            looked.set()
            return found

        watch = Changes(told.put_nowait, look=look, slept_s=lambda: 0.0)
        running = asyncio.create_task(watch.run())
        try:
            assert await asyncio.to_thread(looked.wait, 10)
            words = ("ip", "-n", name, "addr", "add", "10.20.0.1/24", "dev", "cam0")
            await asyncio.to_thread(run, *words)
            async with asyncio.timeout(10):
                return await told.get()
        finally:
            running.cancel()
            await asyncio.wait({running})

    run("ip", "netns", "add", name)
    try:
        veth = ("type", "veth", "peer", "name", "far0")
        run("ip", "-n", name, "link", "add", "cam0", *veth)
        for end in ("cam0", "far0"):
            run("ip", "-n", name, "link", "set", end, "up")
        assert "10.20.0.1 on cam0 is there" in within(name, lambda: asyncio.run(plug_in()))
    finally:
        remove_namespace(name)
