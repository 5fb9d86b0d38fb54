"""How a run ends: the faults end, a person does what a person must, and everything arrives.

Owns: calming the world, the person's acts, and the list of what is still missing.
"""

import asyncio

from syncd.journal import notices
from syncd.journal.rolls import RollRow
from syncd.roll.stages import SELF_CURING, HeldCode, Stage, is_before
from tests.faults.scenes import order_by_hand
from tests.faults.strikes_source import mend
from tests.faults.world import DAY, STORAGE, World

NOTICES_MAX = 10_000


def calm(world: World) -> None:
    """End every fault; what was lost, flipped or held stays so."""
    world.net.join()
    world.net.flips_left = world.net.lost_answers_left = world.net.doubles_left = 0
    for box in (world.offload, world.processing, world.editorial):
        box.disk.crash_at_op = box.gate.crash_at_step = box.crash_again_in = None
        box.crash_kind = ""
        box.is_power = True
        box.calm_journal()
        box.disk.at_op = None
        box.disk.be_well()
        box.host.busy_until_s = 0.0
        box.wake()
        order_by_hand(box, None, paused=False)
    world.listener.refuses_left = world.listener.raises_left = 0
    world.listener.slow_s = 0.0
    for shot in world.shots:
        mend(world, shot)
        world.touch(shot)


def act(world: World) -> None:
    """Do what a person does about held and paused rolls: mend the source, and let it go on."""
    for box in (world.processing, world.offload, world.editorial):
        for row in box.rows():
            if row.paused:
                box.unpause(row.roll_id)
            if row.held is None or row.held.code in SELF_CURING or _is_held_by_right(world, row):
                continue
            for shot in world.shots:
                if shot.name == row.name:
                    mend(world, shot)
                    world.touch(shot)
            box.let_go(row.roll_id)


def missing(world: World) -> list[str]:
    """Return what has yet to come, in words; nothing: everything has arrived."""
    found = [f"{name} is not published" for name in world.footage if name not in _names(world)]
    for box in (world.offload, world.processing):
        found += [
            f"{box.name}: {row.name} {row.stage} {row.held or ''}"
            for row in box.rows()
            if row.same_as is None
            and (row.held or is_before(row.stage, Stage.READY))
            and not _is_held_by_right(world, row)
        ]
    names = {row.name for row in world.offload.rows()}
    found += [f"offload-1 does not know {name}" for name in world.footage if name not in names]
    return found or untold(world) or _unfetched(world)


def _names(world: World) -> set[str]:
    with world.processing.disk.untroubled():
        folder = world.processing.disk.open_folder(STORAGE)
        if folder.stat(DAY) is None:
            return set()
        return {entry.name for entry in folder.scan(DAY)}


def _is_held_by_right(world: World, row: RollRow) -> bool:
    """Tell whether a roll stays as it is: other content has its name."""
    is_taken = row.held is not None and row.held.code is HeldCode.NAME_TAKEN
    return is_taken and row.name in world.others


def untold(world: World) -> list[str]:
    """Promise 6: return the notices that the subscriber was not told."""
    told = {notice.seq for notice in world.listener.told}
    with world.processing.journal.read() as db:
        said = notices.after(db, 0, limit=NOTICES_MAX, kinds=set(world.listener.kinds))
    return [
        f"{notice.kind} of {notice.roll_id} was not told"
        for notice in said
        if notice.seq not in told
    ]


def _unfetched(world: World) -> list[str]:
    rows = {row.name: row for row in world.editorial.rows()}
    return [
        f"{name} is not fetched"
        for name in world.wanted
        if name not in rows or rows[name].stage is not Stage.FETCHED
    ]


async def everything_arrives(world: World, limit_s: float) -> None:
    """Wait until nothing is missing; a person looks now and then. Fails after limit_s."""
    loop = asyncio.get_running_loop()
    begun_s = loop.time()
    next_act_s = begun_s + 5.0
    while left := missing(world):
        world.look()
        if loop.time() >= begun_s + limit_s:
            raise AssertionError(f"not everything arrived: {left}")
        if loop.time() >= next_act_s:
            act(world)
            next_act_s += 5.0
        await asyncio.sleep(0.5)
    world.look()
