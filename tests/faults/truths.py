"""What must be so of both boxes at every moment, whatever happened: looked up, never assumed.

Owns: the questions that go beyond the bytes of published media: what was said is so, what was
journalled as durable is there, what is confirmed was both. Must not: change anything.
A failed check names the promise, the roll and the file.
"""

from collections import Counter
from collections.abc import Iterable
from sqlite3 import Connection

from syncd.evidence.hashers import digest_of
from syncd.journal import history, notices, parcels, rolls
from syncd.journal.rolls import Origin, RollRow
from syncd.roll.inventory import FileEntry, FileKind, Inventory
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import Stage, is_before
from syncd.storage.layout import media_root, stored_path, target_of
from syncd.wire.keys import DIALLER, LISTENER
from syncd.wire.lane_events import Confirmed, Event
from syncd.wire.seal import SealBrokenError
from tests.faults.sim_net import SimLink, SimNet
from tests.faults.sim_tree import Inode
from tests.faults.world import STORAGE, World
from tests.wire.told import Told

NOTICES_MAX = 10_000


def watch(world: World) -> list[AssertionError]:
    """Check at every confirmation that is on the wire, and after every loss of power.

    Returns where failures at the former are kept: raised there, they may end no more than a lane.
    """
    failures: list[AssertionError] = []
    ear = _Ear(world.net)

    def overhear(link: SimLink, data: bytes) -> None:
        try:
            event = ear.hear(link, data)
            if isinstance(event, Confirmed):
                _check_confirmed(world, event)
        except AssertionError as error:
            failures.append(error)
            raise

    world.net.overhear = overhear
    for box in (world.offload, world.processing):
        box.after_crash = lambda: check_all(world)
    return failures


def check_all(world: World) -> None:
    """Check everything that must be so at any moment, the one of a crash included."""
    world.check_nothing_false()
    with world.processing.journal.read() as db:
        taken = [row for row in rolls.all_rolls(db) if row.origin is Origin.PEER]
        for row in taken:
            if row.same_as is not None:
                continue
            if is_before(row.stage, Stage.LANDED):
                _check_durable(world, db, row.roll_id, parcels.durable_numbers(db, row.roll_id))
            else:
                _check_said(world, db, row)
    here = {row.roll_id for row in taken if not is_before(row.stage, Stage.LANDED)}
    for row in world.offload.rows():
        if row.same_as is None and not is_before(row.stage, Stage.LANDED):
            assert row.roll_id in here, f"promise 1: {row.name} is {row.stage} on one box only"


# What was said


def _check_said(world: World, db: Connection, row: RollRow) -> None:
    """Promise 1: what is said to have landed lies there whole, with its evidence, said once."""
    inventory = rolls.load_published_inventory(db, row.roll_id)
    target = f"{STORAGE}/{target_of(inventory)}"
    there = world.processing.disk.files_below(target)
    names = {entry.path for entry in inventory.files}
    assert set(there) == names, f"promise 1: {row.name} differs in {sorted(set(there) ^ names)}"
    for entry in inventory.files:
        where = f"{row.name}/{entry.path}"
        is_right = _is_right(there[entry.path], entry) or where in world.edited
        assert is_right, f"promise 1: {where} is wrong"
        inode = world.processing.disk.lookup(f"{target}/{entry.path}".strip("/"))
        assert inode.mtime_ns == entry.mtime_ns, f"promise 2: {where} has another time"
    told = notices.after(db, 0, limit=NOTICES_MAX, roll_ids=[row.roll_id])
    kinds = Counter(notice.kind for notice in told)
    for stage in (Stage.LANDED, Stage.READY):
        assert kinds[stage] == 1, f"promise 6: {row.name} was told {stage} {kinds[stage]} times"


def _is_right(data: bytes, entry: FileEntry) -> bool:
    if len(data) != entry.size_bytes:
        return False
    return all(digest_of(digest.algorithm, data) == digest for digest in entry.digests)


# What is durable


def _check_durable(world: World, db: Connection, roll_id: str, numbers: Iterable[int]) -> None:
    """Promise 3: what the journal has as durable would be there after a loss of power.

    Files in which the world flipped a bit are left out: to find that is the read-back's part.
    """
    inventory = rolls.load_inventory(db, roll_id)
    plan = ParcelPlan(inventory)
    for number in numbers:
        for piece in plan.pieces(number):
            entry = inventory.files[piece.file_index]
            if f"{roll_id}/roll/{entry.path}" in world.flipped or entry.kind is FileKind.EVIDENCE:
                continue
            if inventory.name in world.harmed or inventory.name in world.others:
                continue
            begin, end = piece.offset_bytes, piece.offset_bytes + piece.length_bytes
            there = _durable_bytes(world, inventory, entry)[begin:end]
            what = f"{inventory.name}/{entry.path}, bytes {begin} to {end}, parcel {number}"
            expected = world.footage[inventory.name][entry.path][begin:end]
            assert there == expected, f"promise 3: called durable and is not: {what}"


def _durable_bytes(world: World, inventory: Inventory, entry: FileEntry) -> bytes:
    """Return what a loss of power now would leave of a file; renamed, or still in incoming."""
    root = world.processing.disk.tree.root
    stored = f"{STORAGE}/{stored_path(inventory.roll_id, entry)}"
    if _survivor(root, f"{STORAGE}/{media_root(inventory.roll_id)}") is None:
        stored = f"{STORAGE}/{target_of(inventory)}/{entry.path}"
    inode = _survivor(root, stored)
    return b"" if inode is None else bytes(inode.durable)


def _survivor(root: Inode, path: str) -> Inode | None:
    inode: Inode | None = root
    for name in path.strip("/").split("/"):
        inode = None if inode is None else inode.durable_names.get(name)
    return inode


# What is confirmed


class _Ear:
    """Hears what is said on every lane of a network, with the keys that the boxes gave out."""

    def __init__(self, net: SimNet) -> None:
        self._net = net
        self._lanes: dict[SimLink, Told] = {}

    def hear(self, link: SimLink, data: bytes) -> Event | None:
        """Read what link sends; what belongs to a body is no frame."""
        near = link if link.is_dialler else link.twin
        assert near is not None, "links come in pairs"
        told = self._lanes.setdefault(near, Told(self._net.tickets))
        speaker = DIALLER if link.is_dialler else LISTENER
        if not told.is_frame(speaker, data):
            return None
        try:
            return told.read(speaker, data)
        except SealBrokenError as error:
            raise AssertionError(f"one frame a send: {error}") from None


def _check_confirmed(world: World, event: Confirmed) -> None:
    """Promise 3: what is confirmed is in the journal, and durable on the storage.

    Of a file found wrong, or changed at its source, meanwhile, parcels may be forgotten again
    already; who sent them offers the roll anew then, and counts no word of before (feed.py).
    """
    with world.processing.journal.read() as db:
        row = rolls.get(db, event.roll_id)
        if row is None or not is_before(row.stage, Stage.LANDED):
            return
        files = ParcelPlan(rolls.load_inventory(db, row.roll_id)).pieces(event.number)
        if any(parcels.mismatches(db, row.roll_id, piece.file_index) for piece in files):
            return
        durable = parcels.durable_numbers(db, row.roll_id)
        if event.number not in durable and _was_taken_anew(db, row.roll_id):
            return
        what = f"{row.name}, parcel {event.number}"
        assert event.number in durable, f"promise 3: confirmed before it is journalled: {what}"
        _check_durable(world, db, row.roll_id, [event.number])


def _was_taken_anew(db: Connection, roll_id: str) -> bool:
    return any("changed where it comes from" in line.note for line in history.read(db, roll_id))
