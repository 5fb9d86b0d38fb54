"""The steps of one measuring, as the offload box takes them, one after the other.

Owns: their order, the questions to the storage's box, and the lanes for the cable. Must not: decide
when to measure, or what the figures mean.
"""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass

from syncd.bell import Bell
from syncd.company import Reach
from syncd.errors import HeldError, NotPossibleError, PeerRefusedError, first_of
from syncd.handoff.lanes import LaneKeeper
from syncd.handoff.unsealed import Unsealed
from syncd.journal import rolls
from syncd.journal.algorithms import algorithms_of
from syncd.journal.journal import Journal
from syncd.journal.rolls import ARRIVING_PREFIX, Origin, RollRow
from syncd.limits import SPEED_ASK_EVERY_S, SPEED_DRAIN_S_MAX, SPEED_LEASE_S
from syncd.ports import Clock, Link, Ports
from syncd.roll.digests import Algorithm
from syncd.speed.cable import Pour
from syncd.speed.filler import Filler
from syncd.speed.findings import Part, Stage, Surroundings, cable_limit
from syncd.speed.hardware import Hardware
from syncd.speed.hashing import hash_for
from syncd.speed.source import Sample, read_for, sample
from syncd.speed.together import Amount
from syncd.wire.lane import LaneState, send_lane
from syncd.wire.lane_watch import never
from syncd.wire.messages import DiskFacts, LaneTicket, Speed, SpeedAnswer

ROLLS_LOOKED_AT = 8
STUCK_S = 20.0  # a step that takes so much longer than its time is given up
_STAGES = {"hash": Stage.HASHING, "write": Stage.STORAGE_WRITE, "read": Stage.READ_BACK}


@dataclass(frozen=True, slots=True)
class Means:
    """What measuring needs of the node. lanes: as many as a hand-off has."""

    own_name: str
    ports: Ports
    journal: Journal
    hardware: Hardware
    unsealed: Unsealed
    lanes: int
    landings: tuple[str, ...]


class Steps:
    """One measuring. Everything raises SyncdError; cancel it, or set is_over, to end it.

    done: told of each part as it is measured. doing: told what is measured next.
    """

    def __init__(
        self,
        means: Means,
        peer: str,
        reach: Reach,
        seconds: float,
        *,
        doing: Callable[[str], None],
        done: Callable[[Part], None],
        is_over: Callable[[], bool],
    ) -> None:
        self.around = Surroundings(source=means.own_name, storage=peer)
        self._means = means
        self._ports = means.ports
        self._peer = peer
        self._reach = reach
        self._seconds = seconds
        self._doing = doing
        self._done = done
        self._is_over = is_over
        self._run = int.from_bytes(means.ports.chance.random_bytes(6))

    async def begin(self) -> None:
        """Ask the other box whether it can be measured now, and look at both ends' hardware."""
        answer = await self._ask("begin")
        aside, hardware = self._ports.disk.aside, self._means.hardware
        found = [await aside(hardware.disk_of, path) for path in self._means.landings]
        usb = [each.usb_mbit for each in found if each.usb_mbit]
        self.around = Surroundings(
            source=self._means.own_name,
            storage=self._peer,
            source_cable=await aside(hardware.cable_to, self._reach.host()),
            storage_cable=answer.cable,
            source_disk=DiskFacts(usb_mbit=min(usb, default=0)),
            storage_disk=answer.disk,
        )

    async def measure(self) -> None:
        """Take every step; begin() was the first."""
        filler = await self._ports.disk.aside(Filler, self._ports.chance)
        files, algorithms = await self._ports.disk.aside(self._sample)
        await self._read_source(files)
        self._doing("hashing")
        own = self._means.own_name
        found = await self._hash(filler)
        self._done(_part(Stage.HASHING, found, box=own, what=Algorithm.XXH128.value))
        await self._measure_cable(filler)
        await self._step("write", "writing to the storage")
        await self._step("read", "reading back")
        await self._step("hash", "hashing there", algorithms)

    async def keep_open(self) -> None:
        """Say again and again that this is still wanted. Raises what ends it there."""
        while True:
            await self._ports.clock.sleep(1.0)
            await self._ask("look")

    async def end(self) -> None:
        """Have the other box remove what it has written; if it is not asked, it does by itself."""
        async with asyncio.timeout(2 * SPEED_LEASE_S):
            await self._reach.calls.ask(Speed(run=self._run, step="end"))

    # The source

    def _sample(self) -> tuple[Sample | None, tuple[Algorithm, ...]]:
        """Return what can be read of the newest rolls, and what their evidence is made of."""
        with self._means.journal.read() as db:
            rows = [row for row in rolls.all_rolls(db) if _is_known(row)]
            rows = sorted(rows, key=lambda row: -row.arrived_utc_ms)[:ROLLS_LOOKED_AT]
            used = [algorithms_of(db, row.roll_id) for row in rows]
        best: Sample | None = None
        for row in rows:
            try:
                found = sample(self._ports.disk, row.source_path or "", f"{row.day}/{row.name}")
            except OSError:
                continue  # it is away; perhaps another one is there
            if best is None or found.total_bytes > best.total_bytes:
                best = found
        algorithms = dict.fromkeys((*next(iter(used), ()), Algorithm.XXH128))
        return best, tuple(algorithms)[:4]

    async def _read_source(self, files: Sample | None) -> None:
        own = self._means.own_name
        if files is None or not files.total_bytes:
            note = "no verified roll lies on the landing: offload one, and measure again"
            self._done(Part(stage=Stage.SOURCE_READ, box=own, note=note))
            return
        self._doing("reading the source")
        ports = self._ports
        try:
            found = await read_for(
                files, self._seconds, disk=ports.disk, clock=ports.clock, is_over=self._is_over
            )
        except HeldError as error:
            note = f"{error.problem} {error.remedy}"
            self._done(Part(stage=Stage.SOURCE_READ, box=own, what=files.shown, note=note))
        else:
            self._done(_part(Stage.SOURCE_READ, found, box=own, what=files.shown))

    async def _hash(self, filler: Filler) -> Amount:
        return await hash_for(
            Algorithm.XXH128,
            self._seconds,
            filler=filler,
            disk=self._ports.disk,
            clock=self._ports.clock,
            is_over=self._is_over,
        )

    # The cable

    async def _measure_cable(self, filler: Filler) -> None:
        self._doing("the cable")
        bell, clock = Bell(), self._ports.clock
        pour = Pour(filler, clock, bell.ring)
        riding = _Riding(pour, clock)
        keeper = LaneKeeper(
            calls=self._reach.calls,
            ports=self._ports,
            host=self._reach.host,
            purpose="speed",
            count=self._means.lanes,
            ride=riding.ride,
            lost=pour.lane_lost,
            excused=never,
            peer=self._peer,
            unsealed=self._means.unsealed,
        )
        lanes = asyncio.create_task(keeper.run(), name="speed-lanes")
        try:
            await self._pour_for(pour, bell, lanes)
        finally:
            pour.stop()
            lanes.cancel()
            await asyncio.wait({lanes})
            if not lanes.cancelled():
                lanes.exception()  # what there is to say of it was said by _pour_for()
        found, how = pour.amount(), " and ".join(sorted(riding.seals))
        if pour.problem or found.rate is None:
            raise NotPossibleError(
                pour.problem or f"Nothing arrived at {self._peer} over lanes.",
                remedy=f"See that its bulk port passes firewalls, and the log of {self._peer}.",
            )
        limit = cable_limit(self.around)
        self._done(_part(Stage.CABLE, found, what=how, limit=limit))

    async def _pour_for(self, pour: Pour, bell: Bell, lanes: "asyncio.Task[None]") -> None:
        """Let parcels go for the time, then wait for those that are under way."""
        clock = self._ports.clock
        began_s = clock.monotonic_s()
        while not pour.is_drained:
            ends_s = (pour.began_s or began_s + STUCK_S) + self._seconds
            left_s = ends_s - clock.monotonic_s()
            if left_s <= 0:
                pour.stop()
            if lanes.done() or left_s <= -SPEED_DRAIN_S_MAX:
                break
            is_near = 0 < left_s < SPEED_ASK_EVERY_S
            await bell.wait(left_s if is_near else SPEED_ASK_EVERY_S)
        if lanes.done():
            error = lanes.exception()
            assert error is not None, "lanes are kept until they are cancelled"
            raise first_of(error)

    # The other box

    async def _step(self, step: str, shown: str, algorithms: tuple[Algorithm, ...] = ()) -> None:
        """Have the other box take a step, and wait for its end."""
        self._doing(shown)
        clock = self._ports.clock
        ends_s = clock.monotonic_s() + self._seconds + STUCK_S
        answer = await self._ask(step, algorithms)
        while answer.doing:
            if clock.monotonic_s() > ends_s:
                raise NotPossibleError(
                    f"{shown.capitalize()} takes {self._peer} too long: its disks do not answer.",
                    remedy=f"See the system's log on {self._peer} about the disks of its storage.",
                )
            await clock.sleep(SPEED_ASK_EVERY_S)
            answer = await self._ask("look")
        for part in answer.parts:
            if part.step == step:
                found = Amount(part.total_bytes, part.elapsed_s, part.note)
                self._done(_part(_STAGES[step], found, box=self._peer, what=part.algorithm))

    async def _ask(self, step: str, algorithms: tuple[Algorithm, ...] = ()) -> SpeedAnswer:
        words = tuple(algorithm.value for algorithm in algorithms)
        question = Speed(run=self._run, step=step, seconds=self._seconds, algorithms=words)
        try:
            answer: SpeedAnswer = await self._reach.calls.ask(question)
        except PeerRefusedError as error:
            if error.code != "unknown-question":
                raise
            raise NotPossibleError(
                f"{self._peer} runs a syncd that cannot be measured.",
                remedy=f"Install the version of {self._means.own_name} on {self._peer}, too.",
            ) from error
        if answer.problem:
            raise NotPossibleError(answer.problem, remedy=answer.remedy)
        return answer


class _Riding:
    """What rides on the lanes: all that pour gives. seals: how it travels."""

    def __init__(self, pour: Pour, clock: Clock) -> None:
        self.seals: set[str] = set()
        self._pour = pour
        self._clock = clock

    async def ride(self, lane: int, link: Link, ticket: LaneTicket, state: LaneState) -> None:
        """Send on one lane; in its own thread."""
        self.seals.add(ticket.seal.value)
        await send_lane(
            link,
            self._clock,
            self._pour,
            self._pour,
            ticket.keys(),
            lane,
            ticket=ticket.ticket,
            state=state,
        )


def _is_known(row: RollRow) -> bool:
    """Tell whether a roll lies on the landing as its evidence says, as far as is known."""
    is_here = row.origin is Origin.LANDING and row.source_path is not None
    return is_here and not row.roll_id.startswith(ARRIVING_PREFIX)


def _part(
    stage: Stage, found: Amount, *, box: str = "", what: str = "", limit: float | None = None
) -> Part:
    return Part(
        stage=stage,
        box=box,
        what=what,
        rate=found.rate,
        total_bytes=found.total_bytes,
        elapsed_s=found.elapsed_s,
        limit=limit,
        note=found.note,
    )
