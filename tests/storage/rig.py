"""A source and a storage on one simulated disk, and the short way of a parcel between them."""

import asyncio
import hashlib
import random
from collections.abc import Iterable, Mapping
from typing import Any

import xxhash

from syncd.journal import rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin, RollRow
from syncd.limits import MIB
from syncd.ports import Ports
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, FileKind, Inventory, ordered
from syncd.roll.parcels import ParcelPlan, from_bitmap
from syncd.roll.stages import Stage
from syncd.storage.area import Area
from syncd.storage.intake import ReceivingRolls
from syncd.storage.keeper import Keeper
from syncd.storage.marker import make_marker
from syncd.storage.reading import RollReader
from syncd.storage.receiving import ReceivingRoll, Sink
from tests.faults.sim_disk import SimDisk

DAY = "2026-03-14_D12"
SOURCE, STORAGE = "/media/landing", "/mnt/array"
CHAIN = "ascmhl/ascmhl_chain.xml"  # the one file that a new generation replaces
NOW = 1_773_507_600_000


class StillClock:
    """Time that only moves when told to."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def monotonic_s(self) -> float:
        return self.now_s

    def utc_ms(self) -> int:
        return NOW

    async def sleep(self, seconds: float) -> None:
        self.now_s += seconds


class LoopClock:
    """Time of the loop, which is simulated in these tests; before it runs, time stands still."""

    def monotonic_s(self) -> float:
        try:
            return asyncio.get_running_loop().time()
        except RuntimeError:
            return 0.0

    def utc_ms(self) -> int:
        return NOW + int(self.monotonic_s() * 1000)

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


class SeededChance:
    """Chance from a seed."""

    def __init__(self, seed: int = 1) -> None:
        self._rng = random.Random(seed)

    def random_bytes(self, count: int) -> bytes:
        return self._rng.randbytes(count)

    def uniform(self, low: float, high: float) -> float:
        return self._rng.uniform(low, high)


def footage(*, small: int = 6, big_bytes: int = 0, seed: int = 7) -> dict[str, bytes]:
    """Return the files of a roll: stills, an empty file, and a clip of that size if any."""
    rng = random.Random(seed)
    files = {f"Stills/A012_{n:05}.dpx": rng.randbytes(rng.randrange(1, 9000)) for n in range(small)}
    files["Sidecar.txt"] = b""
    if big_bytes:
        files["Clips/A012C001.mov"] = rng.randbytes(big_bytes)
    return files


def inventory_of(
    files: Mapping[str, bytes], mtimes: Mapping[str, int], *, name: str = "A012"
) -> Inventory:
    """Freeze files under MD5, and their list under XXH128, as landing does."""
    entries = []
    for path, data in files.items():
        is_evidence = path.endswith(".md5") or path.startswith("ascmhl/")
        if is_evidence:
            digest = Digest(Algorithm.XXH128, xxhash.xxh3_128_digest(data))
        else:
            digest = Digest(Algorithm.MD5, hashlib.md5(data, usedforsecurity=False).digest())
        kind = FileKind.EVIDENCE if is_evidence else FileKind.MEDIA
        entries.append(FileEntry(path, len(data), mtimes[path], (digest,), kind))
    return Inventory(DAY, name, ordered(entries), ("Empty/Inner",))


class Rig:
    """One roll on a source, and a marked storage; both on disk."""

    def __init__(
        self,
        files: Mapping[str, bytes],
        *,
        disk: Any = None,
        clock: Any = None,
        source: str = SOURCE,
        storage: str = STORAGE,
    ) -> None:
        self.disk: Any = disk or SimDisk()
        self.clock = clock or StillClock()
        self.source, self.storage = source, storage
        self.files = dict(files)
        lines = [
            f"{hashlib.md5(data, usedforsecurity=False).hexdigest()}  {path}\n"
            for path, data in files.items()
        ]
        self.files.setdefault("A012.md5", "".join(lines).encode())
        if isinstance(self.disk, SimDisk):
            self.disk.make_root(f"{source}/{DAY}/A012")
            self.disk.make_root(storage)
        self._shoot()
        self.journal = Journal(None, journal_id="test")
        with self.journal.write() as db:
            rolls.add_roll(
                db,
                self.inventory,
                origin=Origin.PEER,
                peer="offload-1",
                stage=Stage.MOVING,
                now_utc_ms=NOW,
            )

    def _shoot(self) -> None:
        root = self.disk.open_folder(self.source)
        mtimes = {}
        for number, (path, data) in enumerate(self.files.items()):
            full = f"{DAY}/A012/{path}"
            root.make_folders(full.rpartition("/")[0])
            root.make_new_file(full, data)
            file = root.open_write(full)
            mtimes[path] = 1_773_000_000_000_000_000 + number * 1_001_001_001
            file.set_mtime(mtimes[path])
            file.close()
        root.close()
        self.inventory = inventory_of(self.files, mtimes)
        self.plan = ParcelPlan(self.inventory)
        folder = self.disk.open_folder(self.storage)
        make_marker(folder, SeededChance())
        folder.close()
        if isinstance(self.disk, SimDisk):
            self.disk.settle()

    @property
    def roll_id(self) -> str:
        """The roll's id."""
        return self.inventory.roll_id

    def area(self, **more: Any) -> Area:
        """Open the storage anew."""
        settings: dict[str, Any] = {
            "box": "process-1",
            "clock": self.clock,
            "keep_free_bytes": 0,
        } | more
        return Area(self.disk, self.storage, **settings)

    def reader(self) -> RollReader:
        """Open the source anew."""
        folder = self.disk.open_folder(f"{self.source}/{DAY}/A012")
        return RollReader(self.disk, folder, self.inventory, self.plan)

    def receiving(self) -> tuple[ReceivingRolls, ReceivingRoll]:
        """Take the roll up on the storage, without a keeper."""
        area = self.area()
        every = ReceivingRolls(area, self.journal)
        return every, every.add(ReceivingRoll(self.inventory, area, self.journal, lambda: None))

    def keeper(self, *, final: tuple[Stage, ...] = (Stage.LANDED, Stage.READY)) -> Keeper:
        """Make a keeper of the storage."""
        ports = Ports(self.clock, SeededChance(), self.disk, None)  # type: ignore[arg-type]
        return Keeper(
            self.area(),
            self.journal,
            ports,
            origin=Origin.PEER,
            final_stages=final,
            host_name="process-1",
        )

    def row(self) -> RollRow:
        """Return the roll as the journal has it."""
        with self.journal.read() as db:
            row = rolls.get(db, self.roll_id)
        assert row is not None
        return row

    def lacking(self, bitmap: bytes) -> list[int]:
        """Read a bitmap of parcels."""
        return sorted(from_bitmap(bitmap, self.plan.count))

    def published(self) -> dict[str, bytes]:
        """Return all files under DAY/A012 on a simulated storage."""
        return self.disk.files_below(f"{self.storage}/{DAY}/A012")  # type: ignore[no-any-return]

    def check_published(self, *, complete: bool) -> None:
        """Hold promise 1 to account: the path is absent, or complete and right."""
        found = self.published()
        if found or complete:
            kept = {path: data for path, data in self.files.items() if path != CHAIN}
            assert {path: found.get(path) for path in kept} == kept
            assert CHAIN in found
            folder = self.disk.lookup(f"{self.storage[1:]}/{DAY}/A012/Empty/Inner")
            assert not folder.names


def write_parcel(receiving: Any, reader: RollReader, number: int, sink: Sink | None = None) -> Sink:
    """Carry one parcel from a source into receiving, up to but without the commit."""
    sink = sink or receiving.begin(reader.inventory.roll_id, number, reader.evidence)
    assert sink is not None
    parcel = reader.open(number)
    try:
        buffer = memoryview(bytearray(MIB))
        while count := parcel.read_into(buffer):
            sink.write(buffer[:count])
        sink.finish(parcel.digests())
    finally:
        parcel.close()
    return sink


def carry(receiving: Any, reader: RollReader, numbers: Iterable[int]) -> None:
    """Carry parcels, each made durable by itself."""
    for number in numbers:
        receiving.commit([write_parcel(receiving, reader, number)])
