"""The box that is measured: one at a time, bounded, and nothing is left, whoever does what."""

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from syncd.edges.chance import SystemChance
from syncd.edges.clock import RealClock
from syncd.edges.disk import RealDisk
from syncd.edges.threads import ThreadLines
from syncd.errors import HeldError, NotPossibleError
from syncd.limits import PARCEL_BYTES_MAX, SPEED_CABLE_BYTES_MAX, SPEED_RUNS_PER_HOUR
from syncd.ports import Ports
from syncd.speed import host as host_module
from syncd.speed.cable import ROLL_ID, Drain
from syncd.speed.host import SpeedHost
from syncd.storage.area import Area
from syncd.storage.layout import SPEED
from syncd.storage.marker import make_marker
from syncd.wire.messages import CableFacts, DiskFacts, PeerIdentity, Speed, SpeedAnswer

OFFLOAD = PeerIdentity("offload-1", "sha256:" + "ab" * 32, "127.0.0.1", frozenset({"offload"}))
OTHER = PeerIdentity("offload-2", "sha256:" + "cd" * 32, "127.0.0.2", frozenset({"offload"}))
SHORT_S = 0.01


class Bench:
    """A host on a real folder. first: what it is told to be under way."""

    def __init__(self, folder: Path) -> None:
        self.root = folder / "storage"
        self.root.mkdir()
        self.disk = RealDisk()
        opened = self.disk.open_folder(str(self.root))
        make_marker(opened, SystemChance())
        opened.close()
        clock = RealClock()
        self.ports = Ports(clock=clock, chance=SystemChance(), disk=self.disk, lines=ThreadLines())
        self.first = ""
        self.lanes_ended: list[str] = []
        self.host = SpeedHost(
            "process-1",
            self.ports,
            Area(self.disk, str(self.root), box="process-1", clock=clock, keep_free_bytes=0),
            self,
            under_way=lambda _: self.first,
            end_lanes=self.lanes_ended.append,
        )

    def cable_to(self, host: str) -> CableFacts:
        """Be the hardware."""
        return CableFacts(interface=f"to {host}")

    def disk_of(self, path: str) -> DiskFacts:
        """Be the hardware."""
        assert path == str(self.root)
        return DiskFacts(usb_mbit=480)

    @property
    def scratch(self) -> Path:
        return self.root / SPEED

    async def ask(self, step: str, run: int = 1, peer: PeerIdentity = OFFLOAD) -> SpeedAnswer:
        """Ask for a step of the shortest kind."""
        algorithms = ("md5", "xxh128") if step == "hash" else ()
        question = Speed(run=run, step=step, seconds=SHORT_S, algorithms=algorithms)
        return await self.host.answer(peer, question)

    async def step(self, step: str) -> SpeedAnswer:
        """Take a step to its end."""
        answer = await self.ask(step)
        if answer.doing:
            answer = await self.told(lambda answer: not answer.doing)
        return answer

    async def told(self, is_it: Callable[[SpeedAnswer], bool]) -> SpeedAnswer:
        """Look until the answer is as it is to be."""
        for _ in range(1500):
            answer = await self.ask("look")
            if is_it(answer):
                return answer
            await asyncio.sleep(0.02)
        raise AssertionError(answer)

    async def until_clean(self) -> None:
        """Wait until nothing of it lies on the storage."""
        for _ in range(1000):
            if not self.scratch.exists():
                return
            await asyncio.sleep(0.02)
        raise AssertionError(list(self.scratch.iterdir()))


@asynccontextmanager
async def running(folder: Path) -> AsyncIterator[Bench]:
    """Give a bench whose host runs."""
    bench = Bench(folder)
    task = asyncio.create_task(bench.host.run(), name="host")
    await asyncio.sleep(0)
    try:
        yield bench
    finally:
        task.cancel()
        await asyncio.wait({task})
        bench.disk.close()


async def test_each_step_gives_its_figures(tmp_path: Path) -> None:
    """Begin tells of the hardware; then hash, write and read; and end leaves nothing."""
    async with running(tmp_path) as bench:
        begun = await bench.ask("begin")
        assert begun.cable.interface == "to 127.0.0.1"
        assert begun.disk.usb_mbit == 480
        await bench.step("write")
        assert len(list(bench.scratch.iterdir())) == 2
        await bench.step("read")
        answer = await bench.step("hash")
        ended = await bench.ask("end")
        assert not bench.scratch.exists()
    found = {(part.step, part.algorithm): part.total_bytes for part in answer.parts}
    assert list(found) == [("write", ""), ("read", ""), ("hash", "md5"), ("hash", "xxh128")]
    assert found["write", ""] >= 2 * PARCEL_BYTES_MAX
    assert 0 < found["read", ""] <= found["write", ""]
    assert all(part.elapsed_s > 0 for part in answer.parts)
    assert ended.parts == answer.parts


async def test_one_box_measures_at_a_time(tmp_path: Path) -> None:
    """Another one is told who does; the same one may begin anew."""
    async with running(tmp_path) as bench:
        await bench.ask("begin")
        with pytest.raises(NotPossibleError, match="is being measured by offload-1"):
            await bench.ask("begin", peer=OTHER)
        assert bench.host.drain_for(OFFLOAD) is not None
        assert bench.host.drain_for(OTHER) is None
        await bench.ask("begin", run=2)
        with pytest.raises(NotPossibleError, match="not being measured by offload-1 any more"):
            await bench.ask("look", run=1)
        await bench.ask("end", run=2)
        assert bench.host.drain_for(OFFLOAD) is None
        await bench.ask("begin", peer=OTHER)


async def test_a_step_is_taken_once_and_alone(tmp_path: Path) -> None:
    """So what lies on the storage stays bounded, however often it is asked."""
    async with running(tmp_path) as bench:
        await bench.ask("begin")
        await bench.ask("write")
        with pytest.raises(NotPossibleError, match="measures something else: write"):
            await bench.ask("read")
        await bench.told(lambda answer: not answer.doing)
        with pytest.raises(NotPossibleError, match="was measured already"):
            await bench.ask("write")


async def test_what_nobody_asks_for_any_more_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Files, lanes and all; and what has become of it is told to who asks late."""
    monkeypatch.setattr(host_module, "SPEED_LEASE_S", 1.0)
    async with running(tmp_path) as bench:
        await bench.ask("begin")
        await bench.step("write")
        await bench.until_clean()
        assert bench.lanes_ended == ["offload-1"]
        assert "has not asked for" in (await bench.ask("look")).problem
        await asyncio.sleep(2.0)  # then it is forgotten, too
        with pytest.raises(NotPossibleError, match="any more"):
            await bench.ask("look")


async def test_a_roll_that_moves_ends_it(tmp_path: Path) -> None:
    """And lets none begin."""
    async with running(tmp_path) as bench:
        await bench.ask("begin")
        await bench.step("write")
        bench.first = "2026-03-14_D12/B007 is on its way."
        await bench.until_clean()
        assert "B007 is on its way" in (await bench.ask("look")).problem
        with pytest.raises(NotPossibleError, match=r"measures nothing now: .*B007"):
            await bench.ask("begin", run=2)


async def test_bytes_that_come_back_changed_are_told(tmp_path: Path) -> None:
    """A storage that does so is the last one to hand anything over to."""
    async with running(tmp_path) as bench:
        await bench.ask("begin")
        await bench.step("write")
        with (bench.scratch / "0").open("r+b") as file:
            file.seek(17)
            byte = file.read(1)
            file.seek(17)
            file.write(bytes([byte[0] ^ 1]))
        await bench.ask("read")
        answer = await bench.told(lambda answer: bool(answer.problem))
        assert "gave back other bytes than were written" in answer.problem
        assert f"{SPEED}/0, bytes 0 to" in answer.problem
        await bench.until_clean()


async def test_what_a_killed_process_left_is_removed(tmp_path: Path) -> None:
    """At the start; and once the storage is there, if it is away then."""
    bench = Bench(tmp_path)
    bench.scratch.mkdir(parents=True)
    (bench.scratch / "1").write_bytes(b"left")
    away = tmp_path / "away"
    bench.root.rename(away)
    task = asyncio.create_task(bench.host.run(), name="host")
    await asyncio.sleep(0.2)
    with pytest.raises(HeldError, match="is not there"):
        await bench.ask("begin")
    away.rename(bench.root)
    await bench.until_clean()
    task.cancel()
    await asyncio.wait({task})
    bench.disk.close()


async def test_nobody_measures_without_end(tmp_path: Path) -> None:
    """Each box so many times an hour."""
    async with running(tmp_path) as bench:
        for run in range(SPEED_RUNS_PER_HOUR):
            await bench.ask("begin", run=run)
            await bench.ask("end", run=run)
        with pytest.raises(NotPossibleError, match="60 times within the hour"):
            await bench.ask("begin", run=99)
        await bench.ask("begin", peer=OTHER)


def test_the_cable_takes_a_bounded_amount_and_only_its_own() -> None:
    """No roll's parcel, none after the end, and no more than is agreed."""

    def refused(drain: Drain, roll_id: str = ROLL_ID) -> Any:
        with pytest.raises(HeldError, match="is not being measured any more"):
            drain.begin(roll_id, 0)

    refused(Drain(lambda: True))
    refused(Drain(lambda: False), "ab" * 16)
    drain = Drain(lambda: False)
    for number in range(SPEED_CABLE_BYTES_MAX // PARCEL_BYTES_MAX):
        drain.begin(ROLL_ID, number)
    refused(drain)
