"""`syncd speed` as the storage's box sees it: what another box has it measure, one step at a time.

Owns: that one box at a time measures, for a short time, a bounded amount, and not while rolls are
on their way; and that nothing is left of it, whoever asks no more: its files are removed when it
ends, or when this box starts again. Must not: know what the figures mean.

Whoever measures asks at least every second. Without that the measuring ends after SPEED_LEASE_S.
"""

import asyncio
import logging
import threading
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field

from syncd.errors import HeldError, NotPossibleError, SyncdError
from syncd.journal.journal import JournalError
from syncd.limits import (
    SELF_CURE_RETRY_S,
    SPEED_LEASE_S,
    SPEED_RUN_S_MAX,
    SPEED_RUNS_PER_HOUR,
    SPEED_WRITE_BYTES_MIN,
    TICK_S,
)
from syncd.ports import Ports
from syncd.repeats import Repeats
from syncd.roll.digests import Algorithm
from syncd.speed.cable import Drain
from syncd.speed.filler import Filler
from syncd.speed.hardware import Hardware
from syncd.speed.hashing import hash_for
from syncd.speed.scratch import Scratch, remove_scratch
from syncd.speed.together import Amount
from syncd.speed.under_way import REMEDY
from syncd.storage.area import Area
from syncd.wire.messages import CableFacts, DiskFacts, PeerIdentity, Speed, SpeedAnswer, SpeedPart

log = logging.getLogger(__name__)

STOP_S = 2.0  # a stop of the daemon has 5 s in all
_HOUR_S = 3600.0
_AGAIN = "Run `syncd speed` again."


@dataclass(slots=True)
class _Visit:
    """One measuring of one peer."""

    peer: PeerIdentity
    run: int
    scratch: Scratch
    drain: Drain
    over: threading.Event
    began_s: float
    heard_s: float
    cable: CableFacts = field(default_factory=CableFacts)
    disk: DiskFacts = field(default_factory=DiskFacts)
    parts: list[SpeedPart] = field(default_factory=list)
    doing: str = ""
    problem: str = ""
    remedy: str = ""


class SpeedHost:
    """Runs until cancelled; the desk passes questions on, and Parts asks for what a lane carries.

    under_way: says, aside, which roll comes before a peer's measuring, "" if none does.
    end_lanes: ends the lanes on which a peer measures the cable.
    """

    def __init__(
        self,
        own_name: str,
        ports: Ports,
        area: Area,
        hardware: Hardware,
        *,
        under_way: Callable[[str], str],
        end_lanes: Callable[[str], None],
    ) -> None:
        self._own_name = own_name
        self._ports = ports
        self._area = area
        self._hardware = hardware
        self._under_way = under_way
        self._end_lanes = end_lanes
        self._visit: _Visit | None = None
        self._filler: Filler | None = None
        self._begun: dict[str, deque[float]] = {}
        self._beginning = asyncio.Lock()
        self._tidying = asyncio.Lock()
        self._group: asyncio.TaskGroup | None = None
        self._is_untidy = True  # an earlier process may have been killed in the midst of one
        self._repeats = Repeats(log, ports.clock)

    async def run(self) -> None:
        """Watch over who measures, and tidy up, until cancelled."""
        try:
            async with asyncio.TaskGroup() as group:
                self._group = group
                group.create_task(self._tidy_up(), name="speed-tidy")
                while True:
                    await self._ports.clock.sleep(TICK_S)
                    await self._look()
        finally:
            self._group = None
            await self._leave()

    async def _leave(self) -> None:
        """Remove what was written, if this box is stopped meanwhile; else the next start does."""
        if self._visit is None:
            return
        self._visit.over.set()
        if self._is_untidy:
            with suppress(SyncdError, TimeoutError):
                async with asyncio.timeout(STOP_S):
                    await self._ports.disk.aside(remove_scratch, self._area)

    # Asked by the desk

    async def answer(self, peer: PeerIdentity, question: Speed) -> SpeedAnswer:
        """Do what is asked. Raises NotPossibleError if it cannot be, HeldError for the storage."""
        if question.step == "begin":
            async with self._beginning:
                await self._begin(peer, question)
            return self._said(self._visit_of(peer, question))
        visit = self._visit_of(peer, question)
        visit.heard_s = self._ports.clock.monotonic_s()
        if question.step == "end":
            self._end(visit)
            await self._until_idle(visit)
        elif question.step != "look" and not visit.over.is_set():
            self._start(visit, question)
        return self._said(visit)

    def drain_for(self, peer: PeerIdentity) -> Drain | None:
        """Return where a lane that measures the cable ends; None if peer measures nothing now."""
        visit = self._visit
        is_theirs = visit is not None and visit.peer.fingerprint == peer.fingerprint
        return visit.drain if visit is not None and is_theirs and not visit.over.is_set() else None

    async def _begin(self, peer: PeerIdentity, question: Speed) -> None:
        if self._group is None:
            raise self._not_now("has only just started")
        if self._visit is not None:
            if self._visit.peer.fingerprint != peer.fingerprint and not self._visit.over.is_set():
                raise self._not_now(f"is being measured by {self._visit.peer.name}")
            self._end(self._visit)
            await self._until_idle(self._visit)
        begun = self._begun_by(peer)
        disk = self._ports.disk
        await self._tidy()
        await disk.aside(self._area.check, SPEED_WRITE_BYTES_MIN)
        first = await disk.aside(self._under_way, peer.name)
        if first:
            raise NotPossibleError(f"{self._own_name} measures nothing now: {first}", remedy=REMEDY)
        if self._filler is None:
            self._filler = await disk.aside(Filler, self._ports.chance)
        over = threading.Event()
        clock = self._ports.clock
        now_s = clock.monotonic_s()
        visit = _Visit(
            peer,
            question.run,
            Scratch(self._area, self._filler, clock, over.is_set),
            Drain(over.is_set),
            over,
            now_s,
            now_s,
        )
        visit.cable = await disk.aside(self._hardware.cable_to, peer.address)
        visit.disk = await disk.aside(self._hardware.disk_of, self._area.path)
        self._visit = visit
        begun.append(now_s)
        log.info("%s measures this box.", peer.name)

    def _visit_of(self, peer: PeerIdentity, question: Speed) -> _Visit:
        visit = self._visit
        if visit is None or (visit.peer.fingerprint, visit.run) != (peer.fingerprint, question.run):
            raise NotPossibleError(
                f"{self._own_name} is not being measured by {peer.name} any more.", remedy=_AGAIN
            )
        return visit

    def _begun_by(self, peer: PeerIdentity) -> deque[float]:
        """Return when a peer began to measure. Raises NotPossibleError if it was often of late."""
        now_s = self._ports.clock.monotonic_s()
        begun = self._begun.setdefault(peer.fingerprint, deque(maxlen=SPEED_RUNS_PER_HOUR))
        if len(begun) == SPEED_RUNS_PER_HOUR and now_s - begun[0] < _HOUR_S:
            raise NotPossibleError(
                f"{peer.name} has measured {self._own_name} {SPEED_RUNS_PER_HOUR} times within the "
                "hour.",
                remedy="Each time is written to its storage: measure again later.",
            )
        return begun

    def _not_now(self, why: str) -> NotPossibleError:
        return NotPossibleError(f"{self._own_name} {why}.", remedy="Try again in a minute.")

    def _said(self, visit: _Visit) -> SpeedAnswer:
        return SpeedAnswer(
            doing=visit.doing,
            parts=tuple(visit.parts),
            cable=visit.cable,
            disk=visit.disk,
            problem=visit.problem,
            remedy=visit.remedy,
        )

    # Steps

    def _start(self, visit: _Visit, question: Speed) -> None:
        assert self._group is not None, "a visit begins while this runs"
        if visit.doing:
            raise NotPossibleError(
                f"{self._own_name} measures something else: {visit.doing}.", remedy=_AGAIN
            )
        if any(part.step == question.step for part in visit.parts):
            raise NotPossibleError(f"{question.step} was measured already.", remedy=_AGAIN)
        visit.doing = question.step
        self._group.create_task(self._do(visit, question), name=f"speed-{question.step}")

    async def _do(self, visit: _Visit, question: Speed) -> None:
        try:
            await self._step(visit, question)
        except (HeldError, NotPossibleError) as error:
            self._end(visit, error.problem, error.remedy)
        except Exception:
            # A mistake of ours: whoever measures is told, and rolls go on.
            log.exception("Measuring %s failed.", question.step)
            self._end(visit, f"{self._own_name} failed to measure.", f"See {self._own_name}'s log.")
        finally:
            visit.doing = ""

    async def _step(self, visit: _Visit, question: Speed) -> None:
        if question.step == "write":
            self._is_untidy = True
            visit.parts.append(_part("write", await visit.scratch.write(question.seconds)))
        elif question.step == "read":
            visit.parts.append(_part("read", await visit.scratch.read(question.seconds)))
        else:
            for algorithm in dict.fromkeys(question.algorithms):
                found = await self._hash(visit, Algorithm(algorithm), question.seconds)
                visit.parts.append(_part("hash", found, algorithm))

    async def _hash(self, visit: _Visit, algorithm: Algorithm, seconds: float) -> Amount:
        assert self._filler is not None, "made at the beginning"
        return await hash_for(
            algorithm,
            seconds,
            filler=self._filler,
            disk=self._ports.disk,
            clock=self._ports.clock,
            is_over=visit.over.is_set,
        )

    # The end

    async def _look(self) -> None:
        """End the measuring that nobody asks for any more, or that a roll comes before."""
        visit = self._visit
        if visit is None:
            return
        now_s = self._ports.clock.monotonic_s()
        if visit.over.is_set():
            if now_s - visit.heard_s > SPEED_LEASE_S and not visit.doing and not self._is_untidy:
                self._visit = self._filler = None  # nobody wants to know any more how it ended
        elif now_s - visit.heard_s > SPEED_LEASE_S:
            self._end(visit, f"{visit.peer.name} has not asked for {SPEED_LEASE_S:.0f} s.", _AGAIN)
        elif now_s - visit.began_s > SPEED_RUN_S_MAX:
            self._end(visit, f"It took more than {SPEED_RUN_S_MAX:.0f} s.", _AGAIN)
        elif first := await self._ports.disk.aside(self._first, visit.peer.name):
            self._end(visit, f"{self._own_name} ended the measuring: {first}", REMEDY)

    def _first(self, peer: str) -> str:
        try:
            return self._under_way(peer)
        except JournalError:
            return ""

    def _end(self, visit: _Visit, problem: str = "", remedy: str = "") -> None:
        """Measure no more. What was written is removed as soon as nobody writes."""
        if visit.over.is_set():
            return
        visit.problem, visit.remedy = problem, remedy
        visit.over.set()
        self._end_lanes(visit.peer.name)
        if problem:
            log.info("The measuring has ended: %s", problem)

    async def _until_idle(self, visit: _Visit) -> None:
        """Wait until nothing is left of an ended visit. Raises NotPossibleError if it lasts."""
        clock = self._ports.clock
        ends_s = clock.monotonic_s() + SPEED_LEASE_S
        while visit.doing or self._is_untidy:
            if clock.monotonic_s() > ends_s:
                raise self._not_now("is still removing what was measured with before")
            await clock.sleep(TICK_S / 5)

    async def _tidy_up(self) -> None:
        """Remove what measurings leave, as soon as they are over and the storage is there."""
        while True:
            pause_s = TICK_S
            try:
                await self._tidy()
                self._repeats.well("tidy", "What `syncd speed` had written is removed.")
            except HeldError as error:
                pause_s = SELF_CURE_RETRY_S
                if self._visit is not None:
                    text = f"What `syncd speed` has written is not removed yet: {error}"
                    self._repeats.trouble("tidy", text)
            await self._ports.clock.sleep(pause_s)

    async def _tidy(self) -> None:
        """Remove what is left, unless it is being measured with. Raises HeldError."""
        async with self._tidying:
            visit = self._visit
            is_in_use = visit is not None and (bool(visit.doing) or not visit.over.is_set())
            if self._is_untidy and not is_in_use:
                await self._ports.disk.aside(remove_scratch, self._area)
                self._is_untidy = False


def _part(step: str, found: Amount, algorithm: str = "") -> SpeedPart:
    return SpeedPart(
        step=step,
        algorithm=algorithm,
        total_bytes=found.total_bytes,
        elapsed_s=found.elapsed_s,
        note=found.note,
    )
