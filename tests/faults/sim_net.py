"""A network inside one thread: links and questions that are late, lost, doubled, cut or dead.

Owns: what of a connection's bytes arrives, when, and what its two ends are told.

Every pair of hosts has two planes, CONTROL and LANES, and each may be
    out     nothing connects; what is open breaks, and both ends know at once
    quiet   nothing passes, in one direction or both, and nobody is told: half-open. What is sent
            waits; it arrives late if the quiet ends, and never if an end gives up before
A single link can be cut or quieted alone. Bytes of one direction keep their order; those of two
links do not. An answer may be lost after the deed was done, and a question may come twice, the
second time seconds later. Flips: one bit of what travels on a lane.
"""

import asyncio
import random
from collections.abc import Awaitable, Callable, Coroutine
from contextvars import Context
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from syncd.errors import LinkLostError, PeerRefusedError, PeerUnreachableError, SyncdError
from syncd.wire.keys import LaneKeys
from syncd.wire.messages import ANSWERS, LaneTicket, pack, unpack
from tests.faults.sim_disk import SimCrash
from tests.faults.virtual_time import GATE, VirtualLoop

DELAY_S = (0.0002, 0.003)
USER_TIMEOUT_S = 9.0  # after so long without an acknowledgement a system gives a connection up
WINDOW_BYTES = 48 << 10  # what a system takes before a sender must wait

Pair = frozenset[str]


class Plane(StrEnum):
    """The two ways between two hosts."""

    CONTROL = "control"
    LANES = "lanes"


def _lost(where: str) -> LinkLostError:
    return LinkLostError(f"The link to {where} broke.", remedy="It is opened again.")


def _loop() -> VirtualLoop:
    loop = asyncio.get_running_loop()
    assert isinstance(loop, VirtualLoop)
    return loop


class SimLink:
    """One end of a connection; what is sent arrives at twin, in order, after a delay."""

    def __init__(self, net: "SimNet", owner: str, where: str) -> None:
        self.twin: SimLink | None = None
        self.is_dialler = False
        self.owner = owner
        self.where = where
        self.is_dead = False
        self.peer_closed = False
        self.is_quiet = False
        self.slow_s = 0.0
        self._net = net
        self._inbox = bytearray()
        self._event = asyncio.Event()
        self._woken = False
        self._backlog: list[bytes | None] = []
        self._last_at_s = 0.0
        self._in_flight = 0
        self._room = asyncio.Event()
        self._has_sent = False

    async def send(self, *parts: bytes | bytearray | memoryview) -> None:
        await self._net.busy(self.owner)
        if self.is_dead:
            raise _lost(self.where)
        data = bytearray().join(parts)
        self._net.overhear(self, bytes(data))
        if not self._has_sent:
            self._has_sent = True
            self._net.hellos.append(bytes(data))
        self._net.damage(self, data)
        self._in_flight += len(data)
        self._carry(bytes(data))
        if self._net.chance() < 0.3:
            await asyncio.sleep(self._net.delay_s())
        while self._in_flight > WINDOW_BYTES and not self.is_dead:
            self._room.clear()
            await self._room.wait()
        if self.is_dead:
            raise _lost(self.where)

    async def receive_into(self, view: memoryview, timeout_s: float) -> int:
        await self._net.busy(self.owner)
        if not self._inbox and not self._woken and not self._is_over() and timeout_s > 0:
            try:
                async with asyncio.timeout(timeout_s):
                    await self._event.wait()
            except TimeoutError:
                pass
        self._event.clear()
        if self.is_dead:
            raise _lost(self.where)
        count = min(len(view), len(self._inbox))
        if count:
            view[:count] = self._inbox[:count]
            del self._inbox[:count]
            return count
        self._woken = False
        if self.peer_closed:
            raise _lost(self.where)
        return 0

    def _is_over(self) -> bool:
        return self.is_dead or self.peer_closed

    def wake(self) -> None:
        self._woken = True
        self._event.set()

    def close(self) -> None:
        """End this end now; the other one hears of it after what is on its way."""
        if not self.is_dead:
            self._die()
            self._carry(None)

    def cut(self) -> None:
        """This end is told that the connection broke."""
        self._die()
        self._backlog.clear()

    def quiet(self) -> None:
        """Let nothing more pass from this end to the other."""
        self.is_quiet = True

    def unquiet(self) -> None:
        """Let pass what has waited."""
        self.is_quiet = False
        backlog, self._backlog = self._backlog, []
        for data in backlog:
            self._carry(data)

    # On the way

    def _carry(self, data: bytes | None) -> None:
        if self.is_quiet:
            if not self._backlog:
                _loop().call_later(USER_TIMEOUT_S, self._give_up, context=self._net.context)
            self._backlog.append(data)
            return
        at_s = _loop().time() + self._net.delay_s() + self.slow_s * self._net.chance()
        self._last_at_s = max(at_s, self._last_at_s)
        _loop().call_at(self._last_at_s, self._arrive, data, context=self._net.context)

    def _arrive(self, data: bytes | None) -> None:
        twin = self.twin
        assert twin is not None, "links come in pairs"
        if data is None:
            twin.peer_closed = True
        elif twin.is_dead:
            self.cut()  # the other system answers that nobody is there
            return
        else:
            twin._inbox += data
            self._in_flight -= len(data)
            self._room.set()
        twin._event.set()

    def _give_up(self) -> None:
        if self.is_quiet and self._backlog:
            self.cut()

    def _die(self) -> None:
        self.is_dead = True
        self._event.set()
        self._room.set()


@dataclass
class SimHost:
    """What a box answers when it is reached; None while it is down.

    context: in which what it answers runs. busy_until_s: its disk hangs, and with it its lanes.
    """

    answer: Callable[[str, Any], Awaitable[Any]] | None = None
    accept: Callable[[SimLink], Coroutine[Any, Any, None]] | None = None
    tasks: dict["asyncio.Task[Any]", None] = field(default_factory=dict)
    context: Context | None = None
    busy_until_s: float = 0.0


@dataclass(eq=False)
class _Asking:
    """One question on its way."""

    host: str
    pair: Pair
    outcome: "asyncio.Future[Any]"

    def fail(self, why: str) -> None:
        if not self.outcome.done():
            error = PeerUnreachableError(f"{self.host} {why}.", remedy="Wait.")
            self.outcome.set_exception(error)
            self.outcome.exception()  # looked at, should nobody wait any more


@dataclass
class _Way:
    """One plane of one pair."""

    is_out: bool = False
    is_quiet: bool = False
    quiets: int = 0


class SimNet:
    """All links, questions and hosts of a run.

    hellos: what anybody on the wire could have read of the diallers' first frames.
    tickets: what nobody on the wire could, the keys of the tickets that were answered.
    errors: what nobody foresaw, raised by whoever answered or took a lane; it fails the run.
    """

    def __init__(self, rng: random.Random) -> None:
        self.hosts: dict[str, SimHost] = {}
        self.flips_left = 0
        self.flips_done = 0
        self.bytes_sent = 0
        self.bytes_to: dict[str, int] = {}
        self.lost_answers_left = 0
        self.doubles_left = 0
        # Told which end sends, and what, undamaged.
        self.overhear: Callable[[SimLink, bytes], None] = lambda *_: None
        self.tickets: dict[bytes, LaneKeys] = {}
        self.dialled: dict[str, int] = {}
        self.hellos: list[bytes] = []
        self.errors: list[BaseException] = []
        self.struck: Callable[[str], None] = lambda _: None
        self.context = Context()
        self._rng = rng
        self._ways: dict[tuple[Pair, Plane], _Way] = {}
        self._links: list[SimLink] = []
        self._asking: dict[_Asking, None] = {}
        self._doubles: dict[asyncio.Task[None], None] = {}

    # What a test does to it

    def cut(self, pair: Pair | None = None, plane: Plane | None = None) -> None:
        """Pull a cable; both ends know at once. None: all of them."""
        for way in self._matching(pair, plane):
            way.is_out = True
        self.reset(pair, plane)

    def join(self) -> None:
        """Put every cable back, and let pass whatever was stopped."""
        for pair, plane in self._ways:
            self.open(pair, plane)
        for link in self._links:
            link.slow_s = 0.0
            link.unquiet()

    def open(self, pair: Pair, plane: Plane) -> None:
        """Let one plane work again."""
        way = self._way(pair, plane)
        way.is_out = False
        if way.is_quiet:
            way.is_quiet = False
            for link in self.links(pair) if plane is Plane.LANES else ():
                link.unquiet()

    def quiet(self, pair: Pair, plane: Plane) -> None:
        """Let nothing pass, and tell nobody."""
        way = self._way(pair, plane)
        way.is_quiet = True
        way.quiets += 1
        if plane is Plane.LANES:
            for link in self.links(pair):
                link.quiet()
            return
        for asking in [asking for asking in self._asking if asking.pair == pair]:
            _loop().call_later(
                USER_TIMEOUT_S, self._give_up, way, way.quiets, asking, context=self.context
            )

    def reset(self, pair: Pair | None = None, plane: Plane | None = None) -> None:
        """Break what is open; new connections work at once."""
        if plane is not Plane.CONTROL:
            for link in self.links(pair):
                link.cut()
        if plane is not Plane.LANES:
            for asking in tuple(self._asking):
                if pair is None or asking.pair == pair:
                    asking.fail("went away")

    def links(self, pair: Pair | None = None) -> list[SimLink]:
        """Return both ends of every open link between two hosts; None: of all."""
        self._links = [link for link in self._links if not link.is_dead]
        return [link for link in self._links if pair in (None, frozenset({link.owner, link.where}))]

    def fell_silent(self, host: str) -> None:
        """A box lost its power: whoever talks with it is not told."""
        for link in self.links():
            if link.owner == host and link.twin is not None:
                link.twin.quiet()
                link.quiet()
                link.cut()
        for asking in tuple(self._asking):
            if host in asking.pair:
                _loop().call_later(USER_TIMEOUT_S, asking.fail, "is silent", context=self.context)

    def came_back(self, host: str) -> None:
        """A box that lost its power is up: it knows of no connection from before."""
        for link in self.links():
            if link.where == host and link.twin is not None and link.twin.is_dead:
                link.cut()
        for asking in tuple(self._asking):
            if host in asking.pair:
                asking.fail("started anew")

    def _matching(self, pair: Pair | None, plane: Plane | None) -> list[_Way]:
        for known in [frozenset({a, b}) for a in self.hosts for b in self.hosts if a < b]:
            for each in Plane:
                self._way(known, each)
        return [
            way
            for (its_pair, its_plane), way in self._ways.items()
            if pair in (None, its_pair) and plane in (None, its_plane)
        ]

    def _way(self, pair: Pair, plane: Plane) -> _Way:
        return self._ways.setdefault((pair, plane), _Way())

    def _give_up(self, way: _Way, quiets: int, asking: _Asking) -> None:
        if way.is_quiet and way.quiets == quiets:
            asking.fail("does not answer")

    # What passes

    def chance(self) -> float:
        return self._rng.random()

    def delay_s(self) -> float:
        return self._rng.uniform(*DELAY_S)

    async def busy(self, host: str) -> None:
        """Wait while a box's disk hangs."""
        there = self.hosts.get(host)
        if there is not None and there.busy_until_s > _loop().time():
            await asyncio.sleep(there.busy_until_s - _loop().time())

    def damage(self, link: SimLink, data: bytearray) -> None:
        """Flip one bit of a large enough send, now and then, while flips are left."""
        self.bytes_sent += len(data)
        self.bytes_to[link.where] = self.bytes_to.get(link.where, 0) + len(data)
        if self.flips_left and len(data) > 64 and self._rng.random() < 0.2:
            self.flips_left -= 1
            self.flips_done += 1
            self.struck("bit flipped on the wire")
            bit = self._rng.randrange(len(data) * 8)
            data[bit // 8] ^= 1 << bit % 8

    async def dial(self, dialler: str, host: str) -> SimLink:
        await asyncio.sleep(self.delay_s())
        there = self.hosts.get(host)
        way = self._way(frozenset({dialler, host}), Plane.LANES)
        if way.is_quiet:
            await asyncio.sleep(3.0)
        if way.is_out or way.is_quiet or there is None or there.accept is None:
            raise _lost(host)
        self.dialled[dialler] = self.dialled.get(dialler, 0) + 1
        near, far = SimLink(self, dialler, host), SimLink(self, host, dialler)
        near.twin, far.twin = far, near
        near.is_dialler = True
        far._has_sent = True  # what it says first is its nonce, no hello
        self._links += [near, far]
        self._run_at(there, _quietly(there.accept(far), far))
        return near

    def _run_at(self, there: SimHost, work: Coroutine[Any, Any, Any]) -> "asyncio.Task[Any]":
        context = None if there.context is None else there.context.copy()
        task = _loop().create_task(work, context=context)
        there.tasks[task] = None
        task.add_done_callback(lambda done: self._ended(there, done))
        return task

    def _ended(self, there: SimHost, done: "asyncio.Task[Any]") -> None:
        there.tasks.pop(done, None)
        error = None if done.cancelled() else done.exception()
        if error is not None and not isinstance(error, SyncdError | SimCrash):
            self.errors.append(error)

    async def ask(self, asker: str, host: str, question: Any) -> Any:
        """One question over the control plane, as bytes both ways; it may come twice."""
        pair = frozenset({asker, host})
        asking = _Asking(host, pair, _loop().create_future())
        self._asking[asking] = None
        try:
            await self._travel(pair, asking)
            answer = await self._answered(asker, host, question, asking)
            await self._travel(pair, asking)
        finally:
            self._asking.pop(asking, None)
        said = unpack(ANSWERS[type(question)], answer)
        if isinstance(said, LaneTicket):
            self.tickets[said.ticket] = said.keys()
        return said

    async def _travel(self, pair: Pair, asking: _Asking) -> None:
        """Be on the way once; as long as a quiet lasts, nothing gets through."""
        await asyncio.sleep(self.delay_s())
        way = self._way(pair, Plane.CONTROL)
        waited_s = 0.0
        while way.is_quiet and waited_s < USER_TIMEOUT_S and not asking.outcome.done():
            await asyncio.sleep(0.25)
            waited_s += 0.25
        if way.is_out or way.is_quiet:
            raise PeerUnreachableError(f"{asking.host} cannot be reached.", remedy="Wait.")

    async def _answered(self, asker: str, host: str, question: Any, asking: _Asking) -> bytes:
        """Have a question answered. What was asked is done, even if nobody waits any more."""
        there = self.hosts.get(host)
        if there is None or there.answer is None:
            raise PeerUnreachableError(f"{host} cannot be reached.", remedy="Wait.")
        body = pack(question)
        if self.doubles_left and self._rng.random() < 0.3:
            self.doubles_left -= 1
            self.struck("question asked twice")
            doubling = self._ask_again(asker, host, type(question), body)
            task = _loop().create_task(doubling, context=self.context.copy())
            self._doubles[task] = None
            task.add_done_callback(lambda done: self._doubles.pop(done, None))
        question = unpack(type(question), body)
        work = self._run_at(there, _whole(there.answer, asker, question))
        work.add_done_callback(lambda done: _tell(done, asking))
        answer: bytes = await asking.outcome
        if self.lost_answers_left and self._rng.random() < 0.3:
            self.lost_answers_left -= 1
            self.struck("answer lost after the deed")
            raise PeerUnreachableError(f"{host} went away.", remedy="Wait.")
        return answer

    async def _ask_again(self, asker: str, host: str, kind: Any, body: bytes) -> None:
        """Let the same question come once more, later; nobody waits for its answer."""
        await asyncio.sleep(self._rng.choice((0.0, 0.01, 3.0)) * self._rng.random())
        there = self.hosts.get(host)
        if there is not None and there.answer is not None:
            self._run_at(there, _whole(there.answer, asker, unpack(kind, body)))


async def _whole(
    answer: Callable[[str, Any], Awaitable[Any]], asker: str, question: Any
) -> bytes | SyncdError | None:
    """Return an answer as it travels, or the refusal; None: the box went down.

    It is asked in here: a box that goes down before this begins was not asked at all.
    """
    try:
        return pack(await answer(asker, question))
    except SyncdError as refusal:
        return refusal
    except SimCrash:
        return None


def _tell(done: "asyncio.Task[Any]", asking: _Asking) -> None:
    """Give the answer to whoever still waits for it."""
    if asking.outcome.done():
        return
    result = None if done.cancelled() else done.result()
    if isinstance(result, bytes):
        asking.outcome.set_result(result)
    elif isinstance(result, SyncdError):
        asking.outcome.set_exception(_as_told(result))
    # else it went down: whoever asks finds out as the network lets it


def _as_told(error: SyncdError) -> SyncdError:
    """Return what a refusal becomes on its way: see wire/control_client.py."""
    if error.http_status >= 500:
        return PeerUnreachableError(f"It cannot answer now: {error.problem}", remedy=error.remedy)
    return PeerRefusedError(error.problem, remedy=error.remedy)


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

    def __init__(self, net: SimNet, owner: str) -> None:
        self._net = net
        self._owner = owner

    async def dial(self, host: str, port: int) -> SimLink:
        del port
        return await self._net.dial(self._owner, host)

    async def run(self, name: str, lane: Coroutine[Any, Any, None]) -> None:
        del name
        await lane


__all__ = ["GATE", "Pair", "Plane", "SimCalls", "SimHost", "SimLines", "SimLink", "SimNet"]
