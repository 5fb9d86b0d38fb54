"""What is checked all through a run, beside truths.py, and once more at its end.

Owns: that what is published is complete and stays as it is, that sources are only read, that no
stranger gets anything, that holds have a reason, that little travels twice, and in which order
notices come. Must not: change anything.
"""

import random
from collections import Counter
from itertools import pairwise

from syncd.journal import notices
from syncd.limits import UNCONFIRMED_PARCELS_MAX
from syncd.roll.parcels import ParcelOrder
from syncd.roll.stages import HeldCode, Stage
from syncd.wire.frames import frame_bytes
from syncd.wire.lane_events import NONCE_BYTES, LaneNonce, encode
from tests.faults.ending import NOTICES_MAX
from tests.faults.sim_disk import SimDisk
from tests.faults.truths import watch
from tests.faults.world import DAY, STORAGE, Box, World

TARGET = "/Volumes/Edit/Rushes"
NONCE_FRAME_BYTES = len(frame_bytes(encode(LaneNonce(nonce=bytes(NONCE_BYTES)))))
STRANGER = "stranger-1"


def look_on(world: World) -> None:
    """Have everything checked at the moment at which it happens."""
    watch(world)
    world.offload.disk.guard = lambda op, path: world.breaks(f"promise 2: {op} {path} at a source")
    _guard_published(world, world.processing.disk)
    world.processing.disk.renamed = lambda path: _appeared(world, path)
    world.editorial.disk.renamed = lambda _: check_fetched(world)
    world.offload.began = lambda: _count_orders(world)


def _guard_published(world: World, disk: SimDisk) -> None:
    """Promise 2: what is published is never changed, replaced or removed."""
    there: set[str] = set()

    def guard(op: str, path: str) -> None:
        parts = path.split("/")
        if op == "rename_new" or parts[0] != DAY or len(parts) < 2:
            return
        if not there:  # looked up once a roll is there
            with disk.untroubled():
                folder = disk.open_folder(STORAGE)
                there.update(e.name for e in folder.scan(DAY)) if folder.stat(DAY) else None
        if parts[1] in there:
            world.breaks(f"promise 2: {op} {path} under the published tree")

    disk.guard = guard


def _appeared(world: World, path: str) -> None:
    if path.split("/", maxsplit=1)[0] == DAY:
        try:
            world.check_nothing_false()
        except AssertionError as error:
            world.breaks(f"promise 1: {error}")


def check_fetched(world: World) -> None:
    """Promise 1, for editorial: a fetched roll is complete and right, or not there."""
    found: dict[str, dict[str, bytes]] = {}
    for path, data in world.editorial.disk.files_below(f"{TARGET}/{DAY}").items():
        name, _, rest = path.partition("/")
        found.setdefault(name, {})[rest] = data
    for name, files in found.items():
        rights = (world.footage[name], *world.others.get(name, ()))
        if not any(all(files.get(p) == d for p, d in right.items()) for right in rights):
            world.breaks(f"promise 1: fetched {name} is wrong")


# What travels


def _count_orders(world: World) -> None:
    """Count each parcel that is handed to a lane of the offload box."""
    assert world.offload.parts is not None
    assert world.offload.parts.handover is not None
    feed = world.offload.parts.handover.feed
    hand_out = feed.next

    def counted(lane: int) -> ParcelOrder | None:
        order = hand_out(lane)
        if order is not None:
            world.orders[order] += 1
        return order

    feed.next = counted  # type: ignore[method-assign]


def check_little_twice(world: World) -> None:
    """Promise 4: at each break at most a lane's unconfirmed parcels travel again.

    Not where the storage lost something, or a source was wrong: that is sent again by right.
    """
    again = sum(count - 1 for count in world.orders.values())
    breaks = world.net.dialled["offload-1"] + 2 * world.processing.crashes
    if not world.may_forget and again > UNCONFIRMED_PARCELS_MAX * breaks:
        world.breaks(f"promise 4: {again} parcels travelled twice over {breaks} lanes")


# What was said


def check_holds(world: World) -> None:
    """A roll is held only for what has struck."""
    for box in (world.offload, world.processing, world.editorial):
        with box.journal.read() as db:
            held = notices.after(db, 0, limit=NOTICES_MAX, kinds={"held"})
        for notice in held:
            code = HeldCode(notice.body["data"]["code"])
            if code not in _allowed(world, box):
                world.breaks(f"{box.name} held {notice.body['roll']} for {code}: {notice.body}")


def _allowed(world: World, box: Box) -> set[HeldCode]:
    """Return what may be held on a box: the storage is the source from which editorial fetches."""
    is_storage_bad = world.allowed & {HeldCode.STORAGE_ABSENT, HeldCode.STORAGE_ERROR}
    if box is world.editorial and is_storage_bad:
        return world.allowed | {HeldCode.SOURCE_UNREADABLE}
    return world.allowed


def check_told(world: World) -> None:
    """Promise 6: in order per roll at the first telling, and every notice under one id."""
    ids: dict[int, str] = {}
    last: dict[str | None, int] = {}
    for notice in world.listener.told:
        if ids.setdefault(notice.seq, notice.notice_id) != notice.notice_id:
            world.breaks(f"promise 6: notice {notice.seq} has two ids")
        elif notice.seq < last.get(notice.roll_id, 0) and _is_first(world, notice.seq):
            world.breaks(f"promise 6: notice {notice.seq} came after a later one")
        last[notice.roll_id] = max(notice.seq, last.get(notice.roll_id, 0))
    if len(set(ids.values())) != len(ids):
        world.breaks("promise 6: two notices have one id")


def check_histories(world: World) -> None:
    """Each hold that is over has a line in the roll's history that says so."""
    for box in (world.offload, world.processing, world.editorial):
        for row in box.rows():
            lines = box.history(row.roll_id)
            for held, after in pairwise(lines):
                is_over = held.stage is Stage.HELD and after.stage is not Stage.HELD
                if is_over and not after.note.startswith(("no longer held", "… lines left out")):
                    world.breaks(f"{box.name}: {row.name} was held, then {after}")


def _is_first(world: World, seq: int) -> bool:
    return Counter(notice.seq for notice in world.listener.told)[seq] == 1


# At the end


def check_end(world: World) -> None:
    """Nothing false, nothing lost, nothing said that is not so."""
    world.check_nothing_false()
    check_fetched(world)
    check_little_twice(world)
    check_holds(world)
    check_told(world)
    check_histories(world)
    check_sources(world)
    nonces_bytes = NONCE_FRAME_BYTES * world.net.dialled.get(STRANGER, 0)
    if world.net.bytes_to.get(STRANGER, 0) > nonces_bytes:
        world.breaks("promise 9: a stranger was sent something")
    world.look()


def check_sources(world: World) -> None:
    """Promise 2: every source is as it was shot."""
    for shot in world.shots:
        there = world.offload.disk.files_below(shot.folder)
        if there != {**shot.files, **shot.evidence}:
            world.breaks(f"promise 2: {shot.folder} is not what was shot")


def seeded(world: World) -> random.Random:
    """Return chance of one's own, from the world's."""
    return random.Random(world.rng.random())
