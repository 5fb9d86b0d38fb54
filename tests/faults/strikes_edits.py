"""Somebody edits a file in place, and gives it its old size and time back.

Owns: the edit, on the landing while it is sent without evidence, in incoming after the read-back
and under the published tree; that a roll so edited is never answered *have* at a new offer; and
that all that is published is put back. Some only touch the file, as
chmod or a copy of the storage does: then nothing may come of it but one more reading.
"""

import asyncio
import itertools
import random
from collections.abc import Iterator
from dataclasses import replace

import pytest

from syncd.errors import SyncdError
from syncd.handoff.outgoing import offer_for
from syncd.journal import parcels, rolls
from syncd.journal.rolls import Origin, RollRow
from syncd.ports import Entry
from syncd.roll.inventory import FileKind, Inventory
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode, Stage, is_before
from syncd.storage.layout import media_root, target_of
from syncd.wire.messages import OfferAnswer, OfferKind
from tests.faults import sim_disk
from tests.faults.sim_disk import SimCrash, SimDisk
from tests.faults.sim_tree import Inode
from tests.faults.strikes_net import Strike
from tests.faults.world import STORAGE, World

ONLY_TOUCHED = 0.3  # of the strikes
ASKS_MAX = 40


def edit_in_place(disk: SimDisk, path: str, offset: int, bit: int | None) -> None:
    """Turn a bit of a file with an ordinary write, and set its old time; durable at once.

    path: absolute. bit: None: only touch it.
    """
    with disk.untroubled():
        file = disk.open_folder("/").open_write(path.strip("/"), create=False)
        before = file.stat()
        if bit is not None:
            byte = memoryview(bytearray(1))
            file.read_into(byte, offset)
            byte[0] ^= 1 << bit
            file.write([byte], offset)
        file.set_mtime(before.mtime_ns)
        file.sync()
        file.close()
        assert file.stat().mtime_ns == before.mtime_ns, "only the change time tells"


def make_times_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have every look at a simulated disk show another change time, as some file systems may."""
    count = itertools.count()
    as_it_is = sim_disk.entry_of

    def made_up(name: str, inode: Inode) -> Entry:
        return replace(as_it_is(name, inode), changed_ns=next(count))

    monkeypatch.setattr(sim_disk, "entry_of", made_up)


def _media(inventory: Inventory) -> list[str]:
    return [e.path for e in inventory.files if e.kind is FileKind.MEDIA and e.size_bytes]


async def edited_in_incoming(world: World, rng: random.Random) -> None:
    """Edit a file of a roll that is proved as a whole, right when it is about to be sealed.

    Each file once: twice would hold the roll for a person.
    """
    disk = world.processing.disk
    is_touch = rng.random() < ONLY_TOUCHED

    def at_op(op: str, path: str) -> None:
        is_sealing = op == "sync_all" or (
            op == "make_folders" and path.startswith(".syncd/incoming")
        )
        found = sorted(_proved(world)) if is_sealing else []
        if not found:
            return
        inner, size_bytes = rng.choice(found)
        disk.at_op = None
        world.may_forget = True
        if is_touch:
            world.strike("file touched in incoming")
        else:
            world.flipped.add(inner)
            world.allowed.add(HeldCode.READ_BACK_MISMATCH)
            world.strike("file edited in incoming, time put back")
        bit = None if is_touch else rng.randrange(8)
        edit_in_place(disk, f"{STORAGE}/.syncd/incoming/{inner}", rng.randrange(size_bytes), bit)

    disk.at_op = at_op


def _proved(world: World) -> Iterator[tuple[str, int]]:
    """Yield the files, below incoming, of rolls that are proved as a whole, and their sizes."""
    disk = world.processing.disk
    with world.processing.journal.read() as db:
        for row in rolls.all_rolls(db):
            if row.origin is not Origin.PEER or not is_before(row.stage, Stage.LANDED):
                continue
            if len(parcels.proofs(db, row.roll_id)) < row.file_count:
                continue
            there = disk.files_below(f"{STORAGE}/{media_root(row.roll_id)}")
            for path in _media(rolls.load_inventory(db, row.roll_id)):
                inner = f"{row.roll_id}/roll/{path}"
                if there.get(path) and inner not in world.flipped:
                    yield inner, len(there[path])


async def edited_when_published(world: World, rng: random.Random) -> None:
    """Edit a published file, offer its roll anew, and put the file back."""
    rows = [row for row in world.processing.rows() if _is_there(world, row)]
    if not rows or not world.editorial.is_down:  # who fetches it meanwhile gets it wrong
        return
    row = rng.choice(rows)
    with world.processing.journal.read() as db:
        inventory = rolls.load_inventory(db, row.roll_id)
    if not _media(inventory):
        return
    path = rng.choice(_media(inventory))
    size = next(entry.size_bytes for entry in inventory.files if entry.path == path)
    whole = f"{STORAGE}/{target_of(inventory)}/{path}"
    offset, bit = rng.randrange(size), None if rng.random() < ONLY_TOUCHED else rng.randrange(8)
    world.edited.add(f"{row.name}/{path}")
    world.allowed |= (
        {HeldCode.READ_BACK_MISMATCH, HeldCode.NAME_TAKEN} if bit is not None else set()
    )
    edit_in_place(world.processing.disk, whole, offset, bit)
    try:
        await _offer(world, rng, row, inventory, is_right=bit is None)
    finally:
        edit_in_place(world.processing.disk, whole, offset, bit)
        world.edited.discard(f"{row.name}/{path}")


def _is_there(world: World, row: RollRow) -> bool:
    """Tell whether a roll is published, well, and edited by nobody else at the moment."""
    is_ready = row.same_as is None and not row.held and not is_before(row.stage, Stage.READY)
    return is_ready and not any(where.startswith(f"{row.name}/") for where in world.edited)


async def _offer(
    world: World, rng: random.Random, row: RollRow, inventory: Inventory, *, is_right: bool
) -> None:
    """Offer a published roll until it is answered; *have* only if it is right."""
    head = offer_for(row.roll_id, inventory, ParcelPlan(inventory), row)
    for _ in range(ASKS_MAX):
        try:
            answer: OfferAnswer = await world.net.ask("offload-1", "process-1", head)
        except (SyncdError, SimCrash, TimeoutError):
            answer = OfferAnswer(kind=OfferKind.WAIT)
        is_refused = answer.code == HeldCode.READ_BACK_MISMATCH
        if answer.kind is OfferKind.HAVE:
            world.strike(f"offered anew, {'touched' if is_right else 'edited'}: have")
            if not is_right:
                world.breaks(f"promise 1: {row.name} was edited, and is answered have")
            return
        if answer.kind is OfferKind.REFUSE:
            if is_refused:
                world.strike(f"offered anew, {'touched' if is_right else 'edited'}: refused")
            if is_refused and is_right:
                world.breaks(f"{row.name} was only touched, and is refused: {answer.message}")
            return
        await asyncio.sleep(rng.uniform(0.1, 1.0))


async def edited_while_sent(world: World, rng: random.Random) -> None:
    """Edit a source file between two of its pieces; what is published is as it was at one time."""
    shots = [shot for shot in world.shots if shot.name not in world.others]
    if not shots:
        return
    shot = rng.choice(shots)
    path = max(shot.files, key=lambda path: len(shot.files[path]))
    data = shot.files[path]
    disk, whole = world.offload.disk, f"{shot.folder}/{path}"
    if disk.files_below(shot.folder).get(path) != data or not data:
        return
    left = rng.randrange(1, 4)
    is_touch = rng.random() < 0.5
    offset, bit = rng.randrange(len(data)), rng.randrange(8)

    def at_op(op: str, at: str) -> None:
        nonlocal left
        left -= op == "open_read" and at.endswith(path)
        if left:
            return
        disk.at_op = None
        if disk.files_below(shot.folder).get(path) != data:
            return
        if not is_touch:
            edited = bytearray(data)
            edited[offset] ^= 1 << bit
            world.others[shot.name] = [{**shot.files, path: bytes(edited)}]
            world.allowed |= {HeldCode.SOURCE_CHANGED, HeldCode.NAME_TAKEN}
        world.may_forget = True
        world.strike("source edited or touched while sent, time put back")
        edit_in_place(disk, whole, offset, None if is_touch else bit)

    disk.at_op = at_op


OF_SETTLED: dict[str, Strike] = {"source-edit": edited_while_sent}
STRIKES: dict[str, Strike] = {
    "incoming-edit": edited_in_incoming,
    "published-edit": edited_when_published,
}
