"""Scenes on simulated boxes: a test says what is shot, what happens, and what then must be so.

Owns: starting and ending the boxes of a World around a scene, and waiting for what rolls become.
"""

import asyncio
import hashlib
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager
from typing import Any, TypeVar

import pytest
import xxhash

from syncd.journal import rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import RollRow
from syncd.node_answers import NodeAnswers
from syncd.ports import Entry
from syncd.roll.stages import HeldCode, Stage, is_before
from tests.faults.virtual_time import run_simulated
from tests.faults.world import DAY, LANDING, STORAGE, Box, World

T = TypeVar("T")

# Small parcels, so that small rolls have many and every boundary is met.
# A lane's buffers need to hold no more than such a parcel.
SMALL = {
    "PARCEL_BYTES_MAX": 8 << 10,
    "PARCEL_PIECES_MAX": 5,
    "READ_BYTES": 4096,
    "RECORD_DATA_BYTES": 16 << 10,
    "RECORD_SIZE_MAX": (16 << 10) + 17,
}
HASHES: Mapping[str, Callable[[bytes], Any]] = {
    "md5": lambda data: hashlib.md5(data, usedforsecurity=False),
    "sha1": lambda data: hashlib.sha1(data, usedforsecurity=False),
    "xxh64": xxhash.xxh64,
}


def cut_small(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut rolls finely, in every module that took a limit by name."""
    for module in [module for name, module in sys.modules.items() if name.startswith("syncd.")]:
        for name, value in SMALL.items():
            if hasattr(module, name):
                monkeypatch.setattr(module, name, value)


def play(world: World, scene: Callable[[], Awaitable[T]], *, editorial: bool = False) -> T:
    """Run a scene with all boxes alive, on simulated time."""

    async def main() -> T:
        boxes = [world.offload, world.processing, *([world.editorial] if editorial else [])]
        async with alive(*boxes):
            return await scene()

    return run_simulated(main(), limit_s=5000.0)


@asynccontextmanager
async def alive(*boxes: Box) -> AsyncIterator[None]:
    """Let boxes live until the end of the block; one that fails fails the test."""
    tasks = [asyncio.create_task(box.live(), name=box.name) for box in boxes]
    try:
        yield
        for task in tasks:
            if task.done():
                task.result()
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)


def is_up(world: World, box: Box) -> bool:
    """Tell whether a box answers."""
    host = world.net.hosts.get(box.name)
    return host is not None and host.answer is not None


async def lose_journal(world: World, *boxes: Box) -> None:
    """Pull the plug of boxes, and let each come back with an empty journal."""
    for box in boxes:
        await until(lambda box=box: is_up(world, box), "it runs")  # type: ignore[misc]
        await box.lose_power()
        box.journal = Journal(None)


def listing(files: Mapping[str, bytes], algorithm: str = "md5") -> bytes:
    """Write a checksum list as the GNU tools do: digest, two spaces, path."""
    lines = [f"{HASHES[algorithm](data).hexdigest()}  {path}\n" for path, data in files.items()]
    return "".join(sorted(lines)).encode()


def put_files(box: Box, folder: str, files: Mapping[str, bytes], *, replace: bool = False) -> None:
    """Put files below folder of a box's disk, durable at once; replace: over what is there."""
    with box.disk.untroubled():
        root = box.disk.open_folder("/")
        for path, data in files.items():
            whole = f"{folder}/{path}".strip("/")
            root.make_folders(whole.rpartition("/")[0])
            (root.replace_file if replace else root.make_new_file)(whole, data)
        box.disk.settle()


def put_roll(
    world: World,
    name: str,
    files: Mapping[str, bytes],
    *,
    landing: str = LANDING,
    evidence: Mapping[str, bytes] | None = None,
) -> None:
    """Let a roll appear on a landing: its media, then its evidence (None: an md5 list)."""
    world.footage.setdefault(name, dict(files))
    lists = {f"{name}.md5": listing(files)} if evidence is None else evidence
    put_files(world.offload, f"{landing}/{DAY}/{name}", {**files, **lists})
    touch(world, name)


def clips(world: World, count: int = 2, size: int = 60_000) -> dict[str, bytes]:
    """Return clips with content of their own."""
    return {f"Clips/C{number:03}.mov": world.rng.randbytes(size) for number in range(count)}


def touch(world: World, name: str) -> None:
    """Let the landings hear that something changed in a roll, as events would say."""
    if world.offload.parts is not None:
        for each in world.offload.parts.landings:
            each.touched(f"{DAY}/{name}/anything")


def stored(world: World, name: str) -> dict[str, bytes]:
    """Return what lies under a roll's published name."""
    return world.processing.disk.files_below(f"{STORAGE}/{DAY}/{name}")


def stat_stored(world: World, path: str) -> Entry | None:
    """Return what the storage says of one published path."""
    with world.processing.disk.untroubled():
        return world.processing.disk.open_folder(STORAGE).stat(f"{DAY}/{path}")


def row_of(box: Box, name: str) -> RollRow | None:
    """Return the roll of that name, of several the last that was journalled."""
    rows = [row for row in box.rows() if row.name == name and row.same_as is None]
    return rows[-1] if rows else None


async def until(
    is_true: Callable[[], Any], what: str, *, limit_s: float = 400.0, every_s: float = 0.05
) -> None:
    """Wait, on simulated time, until something is so."""
    loop = asyncio.get_running_loop()
    ends_s = loop.time() + limit_s
    while not is_true():
        assert loop.time() < ends_s, f"never: {what}"
        await asyncio.sleep(every_s)


async def reaches(
    world: World, name: str, stage: Stage = Stage.READY, *, box: Box | None = None
) -> RollRow:
    """Wait until a roll is there (or further) and not held, as the offload box knows it."""
    where = box or world.offload

    def is_there() -> bool:
        row = row_of(where, name)
        return row is not None and not row.held and not is_before(row.stage, stage)

    try:
        await until(is_there, f"{name} is {stage}")
    except AssertionError as error:
        raise AssertionError(f"{error}: {world.stages()}") from None
    row = row_of(where, name)
    assert row is not None
    return row


async def is_held(
    world: World, name: str, code: HeldCode, *, box: Box | None = None
) -> rolls.HeldNote:
    """Wait until a roll is held for that reason, as the offload box knows it."""
    where = box or world.offload

    def note() -> rolls.HeldNote | None:
        notes = [row.held for row in where.rows() if row.name == name and row.held is not None]
        return next((held for held in notes if held.code is code), None)

    try:
        await until(note, f"{name} is held for {code}")
    except AssertionError as error:
        raise AssertionError(f"{error}: {world.stages()}") from None
    held = note()
    assert held is not None
    return held


def rot(world: World, name: str, files: Mapping[str, bytes], *, offset: int = 0) -> None:
    """Turn a bit of a file in incoming right before each reading of it; name: its path's end."""
    incoming = f"{STORAGE}/.syncd/incoming"
    disk = world.processing.disk
    good = next(data for path, data in files.items() if path.endswith(name))

    def at_op(op: str, path: str) -> None:
        if op == "open_read" and path.endswith(name):
            there = disk.files_below(incoming)
            stored_as = next(path for path in there if path.endswith(name))
            if there[stored_as][offset : offset + 1] == good[offset : offset + 1]:
                disk.flip(f"{incoming}/{stored_as}", offset)

    disk.at_op = at_op


async def moves(world: World, name: str, least_bytes: int = 1) -> None:
    """Wait until some of a roll is durable on the storage."""

    def is_moving() -> bool:
        row = row_of(world.processing, name)
        return row is not None and row.moved_bytes >= least_bytes

    await until(is_moving, f"{name} moves", every_s=0.001)


def order_by_hand(
    box: Box,
    name: str | None,
    *,
    paused: bool | None = None,
    rank: int | None = None,
    go: bool = False,
) -> None:
    """Do to the journal what `syncd pause`, `go` and `rush` do."""
    now = box.clock.utc_ms()
    row = None if name is None else row_of(box, name)
    with box.journal.write() as db:
        if paused is not None:
            rolls.set_paused(db, row.roll_id if row else None, paused)
        if row is not None and rank is not None:
            rolls.set_order(db, row.roll_id, rank=rank, now_utc_ms=now)
        if row is not None and go:
            rolls.release(db, row.roll_id, now_utc_ms=now)


def answers_of(box: Box) -> NodeAnswers:
    """Return what a box's commands ask; neither for keys nor for pairing."""
    assert box.parts is not None
    nobody: Any = None
    return NodeAnswers(
        box.parts, box.book, nobody, 0, trusting=nobody, pairing=nobody, measuring=nobody
    )
