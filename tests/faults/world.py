"""All boxes of a hand-off in one thread, from one seed: what a simulated run is made of.

Real: landing decisions, hand-off, lanes, sealing, storage logic, journal (SQLite), notices.
Simulated: time, network, disks, chance (virtual_time.py, sim_net.py, sim_disk.py).
"""

import asyncio
import hashlib
import random
from collections import Counter
from collections.abc import Callable
from contextvars import copy_context
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from syncd.company import Reach
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
from syncd.errors import PeerRefusedError
from syncd.journal import history, rolls
from syncd.journal.journal import Journal
from syncd.journal.notices import NoticeRow
from syncd.notices.subscriber import Outcome, Subscriber
from syncd.parts import Parts
from syncd.ports import Folder, Ports
from syncd.roll.inventory import Trust
from syncd.roll.parcels import ParcelOrder
from syncd.roll.stages import HeldCode, Stage, is_before
from syncd.storage.marker import make_marker
from syncd.wire.gate import not_paired
from syncd.wire.greeting import admit
from syncd.wire.lane_events import NONCE_BYTES
from syncd.wire.messages import PeerIdentity
from syncd.wire.peers import PeerBook, TrustedPeer
from tests.faults.sim_disk import SimCrash, SimDisk
from tests.faults.sim_journal import SimJournal
from tests.faults.sim_net import SimCalls, SimHost, SimLines, SimLink, SimNet
from tests.faults.virtual_time import GATE, Gate, VirtualLoop

DAY = "2026-03-14_D12"
LANDING = "/media/landing"
STORAGE = "/mnt/array/rolls"


def fingerprint_of(name: str) -> str:
    """Return what stands for the certificate of a box."""
    return "sha256:" + hashlib.sha256(name.encode()).hexdigest()


ROLES = {"offload": Role.OFFLOAD, "process": Role.PROCESSING, "edit": Role.EDITORIAL}


def _peers(*names: str) -> tuple[PeerConfig, ...]:
    return tuple(
        PeerConfig(
            name=name,
            fingerprint=fingerprint_of(name),
            roles=frozenset({ROLES[name.partition("-")[0]]}),
        )
        for name in names
    )


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


SETTLE_S = 1.0  # short, so that settled rolls are on their way while there is trouble


def offload_config(landings: tuple[str, ...] = (LANDING,), trust: Trust = Trust.EVIDENCE) -> Config:
    """Return the offload box's configuration."""
    return Config(
        node=_node("offload-1", Role.OFFLOAD),
        peers=_peers("process-1"),
        landings=tuple(
            LandingConfig(path=Path(path), trust=trust, settle_s=SETTLE_S) for path in landings
        ),
        destinations=(DestinationConfig(name="shared", peer="process-1"),),
    )


def processing_config() -> Config:
    """Return the processing workstation's configuration."""
    return Config(
        node=_node("process-1", Role.PROCESSING),
        peers=_peers("offload-1", "offload-2", "edit-1"),
        storage=StorageConfig(path=Path(STORAGE)),
    )


def editorial_config() -> Config:
    """Return the editorial box's configuration."""
    return Config(
        node=_node("edit-1", Role.EDITORIAL),
        peers=_peers("process-1"),
    )


@dataclass
class Box:
    """One box: its disk and journal outlive a crash, its parts do not.

    is_power: whether what crashes next is the power, or only the process.
    after_crash: called when it is down and before it is back; what it raises ends the run.
    began: called when its parts are there and do not run yet.
    crash_kind: what the next crash is called. crash_again_in: operations of the next life.
    """

    name: str
    config: Config
    disk: SimDisk
    net: SimNet
    rng: random.Random
    clock: SimClock = field(default_factory=SimClock)
    journal: Journal = field(default_factory=lambda: SimJournal(None))
    crashes: int = 0
    parts: Parts | None = None
    subscribers: tuple[Subscriber, ...] = ()
    is_power: bool = True
    is_down: bool = True
    after_crash: Callable[[], None] = lambda: None
    began: Callable[[], None] = lambda: None
    crash_kind: str = ""
    crash_again_in: int | None = None
    gate: Gate = field(init=False)
    life: Journal = field(init=False)
    book: PeerBook = field(init=False)
    _crashed: "asyncio.Future[None] | None" = None

    def __post_init__(self) -> None:
        self.gate = Gate(self.go_down)
        self.disk.died = self.go_down
        self.life = self.journal
        if isinstance(self.journal, SimJournal):
            self.journal.died = self.go_down
        trusted = [
            TrustedPeer(peer.name, peer.fingerprint, roles=frozenset(peer.roles))
            for peer in self.config.peers
        ]
        self.book = PeerBook(fingerprint_of(self.name), trusted)
        self.host = self.net.hosts.setdefault(self.name, SimHost())

    async def live(self) -> None:
        """Run for ever, coming back after every crash."""
        while True:
            self.gate = Gate(self.go_down)
            self.life = (
                self.journal.reborn() if isinstance(self.journal, SimJournal) else self.journal
            )
            self.is_down, self.is_power = False, True
            if self.crash_again_in is not None:
                self.disk.crash_at_op = self.disk.ops + self.crash_again_in
                self.crash_again_in = None
            context = copy_context()
            context.run(GATE.set, self.gate)
            self.host.context = context
            task = asyncio.create_task(self._run_once(), name=self.name, context=context)
            try:
                await asyncio.wait([task])
                if not _is_crash(task.exception()):
                    task.result()
            finally:
                self._thaw()
                task.cancel()
                await asyncio.wait([task])
            self.go_down()
            self.crashes += 1
            self.disk.crash(self.rng, is_power=self.is_power)
            if self.crash_kind:
                self.net.struck(self.crash_kind)
                self.crash_kind = ""
            self.after_crash()
            await asyncio.sleep(self.rng.uniform(0.1, 3.0))
            self.net.came_back(self.name)

    async def _run_once(self) -> None:
        crashed: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._crashed = crashed
        ports = Ports(
            clock=self.clock,
            chance=SimChance(self.rng),
            disk=self.disk,
            lines=SimLines(self.net, self.name),
        )
        parts = Parts(
            self.config, ports, self.life, self.book, self._reach, subscribers=self.subscribers
        )
        self.parts = parts
        self.began()

        async def answer(asker: str, question: Any) -> Any:
            with _crash_to(crashed):
                peer = self._peer(asker)
                return await parts.desk.answer(peer, question)

        async def accept(link: SimLink) -> None:
            with _crash_to(crashed):
                nonce = ports.chance.random_bytes(NONCE_BYTES)
                redeemed = await admit(link, ports.clock, parts.tickets, nonce, link.where)
                await parts.lane_host.accept(redeemed, link)

        host = self.host
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

    def _peer(self, asker: str) -> PeerIdentity:
        """Let in who is paired, as the control server does. Raises PeerRefusedError."""
        fingerprint = fingerprint_of(asker)
        peer = self.book.trusted_by_fingerprint(fingerprint)
        if peer is None:
            refusal = not_paired(fingerprint, self.name)
            raise PeerRefusedError(refusal.message, remedy=refusal.remedy)
        return PeerIdentity(peer.name, fingerprint, asker, peer.roles)

    def go_down(self) -> None:
        """Be dead from this very moment: nothing more is written, sent or heard."""
        if self.is_down:
            return
        self.is_down = True
        self._thaw()
        self.disk.die()
        if isinstance(self.life, SimJournal):
            self.life.is_dead = True
        self.host.answer = self.host.accept = None
        if self.is_power:
            self.net.fell_silent(self.name)
        else:
            for other in self.net.hosts:
                self.net.reset(frozenset({self.name, other}))
        if self._crashed is not None and not self._crashed.done():
            self._crashed.set_exception(SimCrash("somebody pulled the plug"))

    def sleep(self) -> None:
        """Let nothing happen here until wake(), as a laptop's lid does, or SIGSTOP."""
        self.gate.freeze()

    def wake(self) -> None:
        """Go on; all timers that rang meanwhile ring now."""
        self._thaw()

    def _thaw(self) -> None:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        self.gate.thaw(loop)

    def hang(self, seconds: float) -> None:
        """Let this box's disk answer nobody for a while."""
        until_s = asyncio.get_running_loop().time() + seconds
        self.disk.busy_until_s = self.host.busy_until_s = until_s

    async def lose_power(self) -> None:
        """Pull this box's plug now; return when it is down."""
        assert self._crashed is not None, "it is down already"
        before = self.crashes
        self.go_down()
        while self.crashes == before:  # noqa: ASYNC110 - simulated time
            await asyncio.sleep(0.001)

    def calm_journal(self) -> None:
        """Let every transaction of this life end well."""
        if isinstance(self.life, SimJournal):
            self.life.crash_in, self.life.fails_left = None, 0

    def let_go(self, roll_id: str) -> None:
        """Do what `syncd go` does with a held roll."""
        with self.journal.write() as db:
            rolls.release(db, roll_id, now_utc_ms=self.clock.utc_ms())

    def unpause(self, roll_id: str) -> None:
        """Do what `syncd go` does with a paused roll."""
        with self.journal.write() as db:
            rolls.set_paused(db, roll_id, False)

    def _reach(self, peer: str) -> Reach:
        return Reach(SimCalls(self.net, self.name, peer), lambda: peer)

    def history(self, roll_id: str) -> list[rolls.HistoryRow]:
        """Return what this box's journal says of one roll."""
        with self.journal.read() as db:
            return history.read(db, roll_id)

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


class Listener:
    """A subscriber that writes down what it is told, and fails when told to."""

    name = "listener"
    kinds = ("landed", "ready", "held", "released")

    def __init__(self, clock: SimClock) -> None:
        self.told: list[NoticeRow] = []
        self.refuses_left = 0
        self.raises_left = 0
        self.slow_s = 0.0
        self._clock = clock

    async def deliver(self, notice: NoticeRow, path: str) -> Outcome:
        del path
        if self.slow_s:
            await self._clock.sleep(self.slow_s)
        if self.raises_left:
            self.raises_left -= 1
            raise RuntimeError("the subscriber has a mistake")
        if self.refuses_left:
            self.refuses_left -= 1
            return Outcome(delivered=False, note="refused")
        self.told.append(notice)
        return Outcome(delivered=True)


@dataclass
class Shot:
    """A roll on the landing, as it should be: its media, its list, and where it lies."""

    name: str
    landing: str
    files: dict[str, bytes]
    evidence: dict[str, bytes]

    @property
    def folder(self) -> str:
        return f"{self.landing}/{DAY}/{self.name}"


@dataclass
class World:
    """Two boxes and the cable between them, and an editorial box that only some runs start.

    footage: what is to be published, by name. others: other content under the same name.
    struck: how often each fault really struck. broken: promises found broken, in words.
    allowed: what a roll may be held for by right, after what has struck.
    flipped: files in incoming of which a bit was turned. edited: published files, NAME/PATH, that
    somebody edits just now. harmed: names whose source was not always
    what it should be. may_forget: parcels may travel again for more than a break.
    """

    seed: int
    landings: tuple[str, ...] = (LANDING,)
    trust: Trust = Trust.EVIDENCE
    rng: random.Random = field(init=False)

    def __post_init__(self) -> None:
        self.rng = random.Random(self.seed)
        self.net = SimNet(random.Random(self.rng.random()))
        self.net.struck = self.strike
        self.footage: dict[str, dict[str, bytes]] = {}
        self.others: dict[str, list[dict[str, bytes]]] = {}
        self.shots: list[Shot] = []
        self.flipped: set[str] = set()
        self.edited: set[str] = set()
        self.harmed: set[str] = set()
        self.struck: Counter[str] = Counter()
        self.allowed: set[HeldCode] = set()
        self.broken: list[str] = []
        self.may_forget = False
        self.wanted: list[str] = []
        self.orders: Counter[ParcelOrder] = Counter()
        self.tasks: list[asyncio.Task[None]] = []
        self.offload = self._box("offload-1", offload_config(self.landings, self.trust))
        self.processing = self._box("process-1", processing_config())
        self.editorial = Box("edit-1", editorial_config(), SimDisk(), self.net, random.Random(0))
        self.offload.disk.failed = lambda op: self.strike(f"source error: {op}")
        self.processing.disk.failed = lambda op: self.strike(f"storage error: {op}")
        self.listener = Listener(self.processing.clock)
        self.processing.subscribers = (self.listener,)
        for path in self.landings:
            self.offload.disk.make_root(path)
        self.processing.disk.make_root(STORAGE)
        marking = self.processing.disk.open_folder(STORAGE)
        make_marker(marking, SimChance(self.rng))
        self.processing.disk.settle()

    def _box(self, name: str, config: Config) -> Box:
        return Box(name, config, SimDisk(), self.net, random.Random(self.rng.random()))

    def strike(self, kind: str) -> None:
        """Count a fault that really struck."""
        self.struck[kind] += 1

    def breaks(self, promise: str) -> None:
        """Note that a promise is broken; the run fails with the first one."""
        self.broken.append(f"seed {self.seed}: {promise}")

    def look(self) -> None:
        """Raise what was found broken so far, and what ended a box."""
        for error in self.net.errors:
            raise error
        assert not self.broken, self.broken[0]
        for task in self.tasks:
            if task.done():
                task.result()

    def shoots(self, name: str, *, clips: int, clip_bytes: int, stills: int = 0) -> None:
        """Put a roll with a finished checksum list onto the landing."""
        self.put(self.shot(name, clips=clips, clip_bytes=clip_bytes, stills=stills))

    def shot(self, name: str, *, clips: int, clip_bytes: int, stills: int = 0) -> Shot:
        """Make a roll's content, and its list; nothing is written yet."""
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
        return Shot(name, LANDING, files, {f"{name}.md5": md5_list(files)})

    def put(self, shot: Shot) -> None:
        """Let a roll lie on its landing as it should be, durable at once."""
        if shot not in self.shots:
            self.shots.append(shot)
        self.footage.setdefault(shot.name, shot.files)
        with self.offload.disk.untroubled():
            root = self.offload.disk.open_folder("/")
            for path, data in {**shot.files, **shot.evidence}.items():
                write_right(root, f"{shot.folder.strip('/')}/{path}", data)
            self.offload.disk.settle()

    def touch(self, shot: Shot) -> None:
        """Let the landings hear that something changed, as events would say."""
        if self.offload.parts is not None and not self.offload.is_down:
            for each in self.offload.parts.landings:
                if each.root == shot.landing:
                    each.touched(f"{DAY}/{shot.name}/anything")

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
            wrong = [
                next((path for path in right if self._is_wrong(name, path, files, right)), None)
                for right in (self.footage[name], *self.others.get(name, ()))
            ]
            assert None in wrong, f"seed {self.seed}: {name}/{wrong[0]} is wrong"

    def _is_wrong(
        self, name: str, path: str, files: dict[str, bytes], right: dict[str, bytes]
    ) -> bool:
        return files.get(path) != right[path] and f"{name}/{path}" not in self.edited

    def all_ready(self) -> bool:
        """Tell whether both boxes say of every roll that it is ready."""
        for box in (self.offload, self.processing):
            rows = [row for row in box.rows() if not row.same_as]
            if len(rows) != len(self.footage):
                return False
            if any(is_before(row.stage, Stage.READY) or row.held for row in rows):
                return False
        return True

    def told(self) -> str:
        """Return what all journals tell of this run, with every time, as one text."""
        lines = [
            f"{box.name} {row.name}: {line.at_utc_ms} {line.stage} {line.note!r}"
            for box in (self.offload, self.processing, self.editorial)
            for row in box.rows()
            for line in box.history(row.roll_id)
        ]
        return "\n".join([*lines, f"{sorted(self.struck.items())}"])

    def stages(self) -> list[str]:
        """Say where every roll is, for a failure's message."""
        return [
            f"{box.name} {row.name} {row.stage} {row.held}"
            for box in (self.offload, self.processing)
            for row in box.rows()
        ]


def md5_list(files: dict[str, bytes]) -> bytes:
    """Write a checksum list as the GNU tools do."""
    return digest_list(files, "md5")


def digest_list(files: dict[str, bytes], algorithm: str) -> bytes:
    """Write a checksum list as the GNU tools do, with any digest that the library has."""
    lines = [f"{hashlib.new(algorithm, data).hexdigest()}  {p}\n" for p, data in files.items()]
    return "".join(sorted(lines)).encode()


def write_right(root: Folder, path: str, data: bytes) -> None:
    """Have a file hold just this; one that does is not touched."""
    entry = root.stat(path)
    if entry is None:
        root.make_folders(path.rpartition("/")[0])
        root.make_new_file(path, data)
    elif root.read_file(path, bytes_max=1 << 30) != data:
        root.replace_file(path, data)
