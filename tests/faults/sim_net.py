"""A network inside one thread: delayed, cut, and with bits flipped, all from one seed."""

import asyncio
import random
from collections.abc import Awaitable, Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any

from syncd.errors import LinkLostError, PeerUnreachableError, SyncdError
from syncd.wire.messages import ANSWERS, pack, unpack
from tests.faults.sim_disk import SimCrash

DELAY_S = (0.0002, 0.003)


def _lost(where: str) -> LinkLostError:
    return LinkLostError(f"The link to {where} broke.", remedy="It is opened again.")


class SimLink:
    """One end of a connection; what is sent arrives at twin after a delay."""

    def __init__(self, net: "SimNet", where: str) -> None:
        self.twin: SimLink | None = None
        self._net = net
        self._where = where
        self._inbox = bytearray()
        self._event = asyncio.Event()
        self._woken = False
        self.is_dead = False
        self.peer_closed = False

    async def send(self, *parts: bytes | bytearray | memoryview) -> None:
        if self.is_dead:
            raise _lost(self._where)
        data = bytearray().join(parts)
        self._net.overhear(bytes(data))
        self._net.damage(data)
        await asyncio.sleep(self._net.delay_s())
        twin = self.twin
        if self.is_dead or twin is None or twin.is_dead:
            self.is_dead = True
            raise _lost(self._where)
        twin._inbox += data
        twin._event.set()

    async def receive_into(self, view: memoryview, timeout_s: float) -> int:
        if not self._inbox and not self._woken and not self._is_over() and timeout_s > 0:
            try:
                async with asyncio.timeout(timeout_s):
                    await self._event.wait()
            except TimeoutError:
                pass
        self._event.clear()
        if self.is_dead:
            raise _lost(self._where)
        count = min(len(view), len(self._inbox))
        if count:
            view[:count] = self._inbox[:count]
            del self._inbox[:count]
            return count
        self._woken = False
        if self.peer_closed:
            raise _lost(self._where)
        return 0

    def _is_over(self) -> bool:
        return self.is_dead or self.peer_closed

    def wake(self) -> None:
        self._woken = True
        self._event.set()

    def close(self) -> None:
        self.is_dead = True
        self._event.set()
        if self.twin is not None and not self.twin.is_dead:
            self.twin.peer_closed = True
            self.twin._event.set()

    def cut(self) -> None:
        """The cable is out: this end notices, and so does the other."""
        self.is_dead = True
        self._event.set()


@dataclass
class SimHost:
    """What a box answers when it is reached; None while it is down."""

    answer: Callable[[str, Any], Awaitable[Any]] | None = None
    accept: Callable[[SimLink], Coroutine[Any, Any, None]] | None = None
    tasks: set["asyncio.Task[None]"] = field(default_factory=set)


class SimNet:
    """All links and hosts of a run."""

    def __init__(self, rng: random.Random) -> None:
        self.hosts: dict[str, SimHost] = {}
        self.is_cut = False
        self.flips_left = 0
        self.flips_done = 0
        self.bytes_sent = 0
        self.overhear: Callable[[bytes], None] = lambda _: None  # told what is sent, undamaged
        self._rng = rng
        self._links: list[SimLink] = []

    def delay_s(self) -> float:
        return self._rng.uniform(*DELAY_S)

    def damage(self, data: bytearray) -> None:
        """Flip one bit of a large enough send, now and then, while flips are left."""
        self.bytes_sent += len(data)
        if self.flips_left and len(data) > 64 and self._rng.random() < 0.2:
            self.flips_left -= 1
            self.flips_done += 1
            bit = self._rng.randrange(len(data) * 8)
            data[bit // 8] ^= 1 << bit % 8

    def cut(self) -> None:
        """Pull the cable."""
        self.is_cut = True
        for link in self._links:
            link.cut()
        self._links.clear()

    def join(self) -> None:
        """Put the cable back."""
        self.is_cut = False

    async def dial(self, host: str) -> SimLink:
        await asyncio.sleep(self.delay_s())
        there = self.hosts.get(host)
        if self.is_cut or there is None or there.accept is None:
            raise _lost(host)
        near, far = SimLink(self, host), SimLink(self, "the dialler")
        near.twin, far.twin = far, near
        self._links = [link for link in self._links if not link.is_dead]
        self._links += [near, far]
        task = asyncio.get_running_loop().create_task(_quietly(there.accept(far), far))
        there.tasks.add(task)
        task.add_done_callback(there.tasks.discard)
        return near

    def _is_gone(self, there: SimHost) -> bool:
        return self.is_cut or there.answer is None

    async def ask(self, asker: str, host: str, question: Any) -> Any:
        """One question over the control plane, as bytes both ways; it may come twice."""
        there = self.hosts.get(host)
        await asyncio.sleep(self.delay_s())
        body = pack(question)
        for _ in range(2 if self._rng.random() < 0.05 else 1):
            if self.is_cut or there is None or there.answer is None:
                raise PeerUnreachableError(f"{host} cannot be reached.", remedy="Wait.")
            answering = asyncio.ensure_future(there.answer(asker, unpack(type(question), body)))
            while not answering.done():
                await asyncio.wait([answering], timeout=0.05)
                if self._is_gone(there):
                    answering.cancel()
                    raise PeerUnreachableError(f"{host} went away.", remedy="Wait.")
            answer = answering.result()
        await asyncio.sleep(self.delay_s())
        if self.is_cut:
            raise PeerUnreachableError(f"{host} went away.", remedy="Wait.")
        return unpack(ANSWERS[type(question)], pack(answer))


async def _quietly(lane: Coroutine[Any, Any, None], link: SimLink) -> None:
    """Run an accepted lane; its end is the connection's end, whatever the reason."""
    try:
        await lane
    except (SyncdError, SimCrash):
        pass  # the link's end tells the other side; a crash was handed to its box
    finally:
        link.close()


class SimCalls:
    """PeerCalls from one box to another."""

    def __init__(self, net: SimNet, asker: str, host: str) -> None:
        self._net = net
        self._asker = asker
        self._host = host

    async def ask(self, question: Any) -> Any:
        return await self._net.ask(self._asker, self._host, question)

    async def close(self) -> None:
        return None


class SimLines:
    """Lines whose lanes are tasks of the one loop."""

    def __init__(self, net: SimNet) -> None:
        self._net = net

    async def dial(self, host: str, port: int) -> SimLink:
        del port
        return await self._net.dial(host)

    async def run(self, name: str, lane: Coroutine[Any, Any, None]) -> None:
        del name
        await lane
