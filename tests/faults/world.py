"""All boxes of a hand-off in one thread, from one seed: what a simulated run is made of.

Real: landing decisions, hand-off, lanes, sealing, storage logic, journal (SQLite), notices.
Simulated: time, network, disks, chance (virtual_time.py, sim_net.py, sim_disk.py).
"""

import asyncio
import hashlib
import random
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from syncd.config.shapes import (
    Config,
    DestinationConfig,
    LandingConfig,
    NodeConfig,
    PeerConfig,
    Role,
    StorageConfig,
)
from syncd.config.values import HostPort
from syncd.journal import parcels, rolls
from syncd.journal.journal import Journal
from syncd.parts import Parts, Reach
from syncd.ports import Ports
from syncd.roll.inventory import Trust
from syncd.roll.stages import Stage, is_before
from syncd.storage.marker import make_marker
from syncd.wire.frames import read_hello
from syncd.wire.messages import PeerIdentity
from tests.faults.sim_disk import SimCrash, SimDisk
from tests.faults.sim_net import SimCalls, SimHost, SimLines, SimLink, SimNet

DAY = "2026-03-14_D12"
LANDING = "/media/landing"
STORAGE = "/mnt/array/rolls"
FINGERPRINT = "sha256:" + "ab" * 32


class SimClock:
    """Simulated time; the wall clock may be set wrong and stepped."""

    def __init__(self) -> None:
        self.wall_offset_ms = 1_773_500_000_000

    def monotonic_s(self) -> float:
        return asyncio.get_running_loop().time()

    def utc_ms(self) -> int:
        return self.wall_offset_ms + int(asyncio.get_running_loop().time() * 1000)

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


class SimChance:
    """Chance from the run's seed."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng

    def random_bytes(self, count: int) -> bytes:
        return self._rng.randbytes(count)

    def uniform(self, low: float, high: float) -> float:
        return self._rng.uniform(low, high)


def _node(name: str, role: Role) -> NodeConfig:
    nowhere = HostPort("127.0.0.1", 0)
    return NodeConfig(
        name=name,
        roles=frozenset({role}),
        state=Path("/var/lib/syncd"),
        control=nowhere,
        bulk=nowhere,
        board=nowhere,
        discover=False,
    )


def offload_config(landings: tuple[str, ...] = (LANDING,), trust: Trust = Trust.EVIDENCE) -> Config:
    """Return the offload box's configuration."""
    return Config(
        node=_node("offload-1", Role.OFFLOAD),
        peers=(PeerConfig(name="process-1", fingerprint=FINGERPRINT),),
        landings=tuple(LandingConfig(path=Path(path), trust=trust) for path in landings),
        destinations=(DestinationConfig(name="shared", peer="process-1"),),
    )


def processing_config() -> Config:
    """Return the processing workstation's configuration."""
    return Config(
        node=_node("process-1", Role.PROCESSING),
        peers=(PeerConfig(name="offload-1", fingerprint=FINGERPRINT),),
        storage=StorageConfig(path=Path(STORAGE)),
    )


def editorial_config() -> Config:
    """Return the editorial box's configuration."""
    return Config(
        node=_node("edit-1", Role.EDITORIAL),
        peers=(PeerConfig(name="process-1", fingerprint=FINGERPRINT),),
    )


@dataclass
class Box:
    """One box: its disk and journal outlive a crash, its parts do not.

    after_crash: called when power was lost and before it is back; what it raises ends the run.
    """

    name: str
    config: Config
    disk: SimDisk
    net: SimNet
    rng: random.Random
    clock: SimClock = field(default_factory=SimClock)
    journal: Journal = field(default_factory=lambda: Journal(None))
    crashes: int = 0
    parts: Parts | None = None
    after_crash: Callable[[], None] = lambda: None
    _crashed: "asyncio.Future[None] | None" = None

    async def live(self) -> None:
        """Run for ever, coming back after every crash."""
        host = self.net.hosts.setdefault(self.name, SimHost())
        while True:
            task = asyncio.create_task(self._run_once(host), name=self.name)
            try:
                await asyncio.wait([task])
                if not _is_crash(task.exception()):
                    task.result()
            finally:
                task.cancel()
                await asyncio.wait([task])
            self.crashes += 1
            self.disk.crash(self.rng)
            self.after_crash()
            await asyncio.sleep(self.rng.uniform(0.1, 3.0))

    async def _run_once(self, host: SimHost) -> None:
        ports = Ports(
            clock=self.clock,
            chance=SimChance(self.rng),
            disk=self.disk,
            lines=SimLines(self.net),
        )
        parts = Parts(self.config, ports, self.journal, self._reach)
        self.parts = parts
        crashed: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._crashed = crashed

        async def answer(asker: str, question: Any) -> Any:
            with _crash_to(crashed):
                return await parts.desk.answer(
                    PeerIdentity(name=asker, fingerprint=asker, address=""), question
                )

        async def accept(link: SimLink) -> None:
            with _crash_to(crashed):
                hello = await read_hello(link, parts.ports.clock)
                await parts.accept(parts.tickets.redeem(hello.ticket), link)

        host.answer, host.accept = answer, accept
        running = asyncio.create_task(parts.run(), name=f"{self.name}-parts")
        try:
            await asyncio.wait([running, crashed], return_when=asyncio.FIRST_COMPLETED)
            for done in (crashed, running):
                if done.done():
                    done.result()
        finally:
            host.answer = host.accept = None
            for lane in tuple(host.tasks):
                lane.cancel()
            running.cancel()
            await asyncio.gather(running, *host.tasks, return_exceptions=True)
            crashed.cancel()

    async def lose_power(self) -> None:
        """Pull this box's plug now; return when it is down."""
        assert self._crashed is not None, "it is down already"
        before, self.disk.crash_at_op = self.crashes, self.disk.ops
        self._crashed.set_exception(SimCrash("somebody pulled the plug"))
        while self.crashes == before:  # noqa: ASYNC110 - simulated time
            await asyncio.sleep(0.001)

    def _reach(self, peer: str) -> Reach:
        return Reach(SimCalls(self.net, self.name, peer), lambda: peer)

    def history(self, roll_id: str) -> list[rolls.HistoryRow]:
        """Return what this box's journal says of one roll."""
        with self.journal.read() as db:
            return rolls.history(db, roll_id)

    def rows(self) -> list[rolls.RollRow]:
        """Return the rolls as this box's journal has them."""
        with self.journal.read() as db:
            return rolls.all_rolls(db)


class _crash_to:  # noqa: N801
    """Hands a simulated crash in a borrowed task to the box that it belongs to."""

    def __init__(self, crashed: "asyncio.Future[None]") -> None:
        self._crashed = crashed

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: Any, error: BaseException | None, trace: Any) -> None:
        if isinstance(error, SimCrash) and not self._crashed.done():
            self._crashed.set_exception(error)


def _is_crash(error: BaseException | None) -> bool:
    while isinstance(error, BaseExceptionGroup):
        crashes = [inner for inner in error.exceptions if _is_crash(inner)]
        return bool(crashes)
    return isinstance(error, SimCrash)


@dataclass
class World:
    """Two boxes and the cable between them, and an editorial box that only some runs start."""

    seed: int
    landings: tuple[str, ...] = (LANDING,)
    trust: Trust = Trust.EVIDENCE
    rng: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self.rng = random.Random(self.seed)
        self.net = SimNet(random.Random(self.rng.random()))
        self.footage: dict[str, dict[str, bytes]] = {}
        self.flipped: set[str] = set()
        self.offload = self._box("offload-1", offload_config(self.landings, self.trust))
        self.processing = self._box("process-1", processing_config())
        self.editorial = Box("edit-1", editorial_config(), SimDisk(), self.net, random.Random(0))
        for path in self.landings:
            self.offload.disk.make_root(path)
        self.processing.disk.make_root(STORAGE)
        marking = self.processing.disk.open_folder(STORAGE)
        make_marker(marking, SimChance(self.rng))
        self.processing.disk.settle()

    def _box(self, name: str, config: Config) -> Box:
        return Box(name, config, SimDisk(), self.net, random.Random(self.rng.random()))

    def shoots(self, name: str, *, clips: int, clip_bytes: int, stills: int = 0) -> None:
        """Put a roll with a finished checksum list onto the landing."""
        files = {
            f"Clips/{name}C{number:03}.mov": self.rng.randbytes(
                clip_bytes + self.rng.randrange(1000)
            )
            for number in range(clips)
        }
        files |= {
            f"Stills/{name}_{number:05}.dpx": self.rng.randbytes(self.rng.randrange(3000))
            for number in range(stills)
        }
        self.footage[name] = files
        with self.offload.disk.untroubled():
            self._write_roll(name, files)

    def _write_roll(self, name: str, files: dict[str, bytes]) -> None:
        folder = self.offload.disk.open_folder(LANDING)
        lines = []
        for path, data in files.items():
            folder.make_folders(f"{DAY}/{name}/{path.rsplit('/', 1)[0]}")
            folder.make_new_file(f"{DAY}/{name}/{path}", data)
            lines.append(f"{hashlib.md5(data, usedforsecurity=False).hexdigest()}  {path}\n")
        folder.make_new_file(f"{DAY}/{name}/{name}.md5", "".join(sorted(lines)).encode())
        self.offload.disk.settle()

    def published(self) -> dict[str, dict[str, bytes]]:
        """Return what lies under the published tree, media and all, by roll."""
        found: dict[str, dict[str, bytes]] = {}
        for path, data in self.processing.disk.files_below(f"{STORAGE}/{DAY}").items():
            roll, _, rest = path.partition("/")
            found.setdefault(roll, {})[rest] = data
        return found

    def check_nothing_false(self) -> None:
        """Promise 1: a published path is complete and right, or not there at all."""
        for name, files in self.published().items():
            for path, data in self.footage[name].items():
                assert files.get(path) == data, f"seed {self.seed}: {name}/{path} is wrong"

    def proved_paths(self) -> set[str]:
        """Return what was read back already, as paths below incoming."""
        found = set()
        with self.processing.journal.read() as db:
            for row in rolls.all_rolls(db):
                files = rolls.load_inventory(db, row.roll_id).files
                for index in parcels.proofs(db, row.roll_id):
                    found.add(f"{row.roll_id}/roll/{files[index].path}")
        return found

    def stages(self) -> list[str]:
        """Say where every roll is, for a failure's message."""
        return [
            f"{box.name} {row.name} {row.stage} {row.held}"
            for box in (self.offload, self.processing)
            for row in box.rows()
        ]

    def all_ready(self) -> bool:
        """Tell whether both boxes say of every roll that it is ready."""
        for box in (self.offload, self.processing):
            rows = [row for row in box.rows() if not row.same_as]
            if len(rows) != len(self.footage):
                return False
            if any(is_before(row.stage, Stage.READY) or row.held for row in rows):
                return False
        return True


async def run_world(
    world: World,
    shoot: Callable[[World], Any],
    trouble: Callable[[World], Any],
    *,
    faults_s: float,
    limit_s: float,
) -> None:
    """Run both boxes with trouble for faults_s, then without; everything must arrive in limit_s."""
    boxes = [asyncio.create_task(box.live()) for box in (world.offload, world.processing)]
    shooting = asyncio.create_task(shoot(world))
    mischief = asyncio.create_task(trouble(world))
    try:
        await asyncio.sleep(faults_s)
        await shooting
        mischief.cancel()
        with suppress(asyncio.CancelledError):
            await mischief
        world.net.join()
        world.net.flips_left = 0
        for box in (world.offload, world.processing):
            box.disk.crash_at_op = None
        ends = asyncio.get_running_loop().time() + limit_s
        while not world.all_ready():
            for task in boxes:
                if task.done():
                    task.result()
            world.check_nothing_false()
            late = asyncio.get_running_loop().time() >= ends
            assert not late, f"seed {world.seed}: not everything arrived: {world.stages()}"
            await asyncio.sleep(0.5)
        world.check_nothing_false()
        assert set(world.published()) == set(world.footage)
    finally:
        for task in boxes:
            task.cancel()
        await asyncio.gather(*boxes, return_exceptions=True)
