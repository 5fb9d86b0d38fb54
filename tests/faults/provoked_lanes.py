"""Situations on a lane in which one kind of mistake shows, as provoked.py has them elsewhere.

Owns: greetings that are overheard, tickets that are shown again or elsewhere, parcels that are put
in the place of others or come too late, frames that are changed, lanes that stand still. Each
function raises AssertionError if a promise is broken.
"""

import asyncio
import random

from syncd.errors import HeldError, LinkLostError
from syncd.journal import rolls
from syncd.roll.inventory import Trust
from syncd.roll.parcels import ParcelPlan
from syncd.storage.intake import ReceivingRolls
from syncd.storage.receiving import ReceivingRoll
from syncd.wire.frames import LENGTH_BYTES, Conversation, Role
from syncd.wire.greeting import read_nonce
from syncd.wire.keys import TAG_BYTES, LaneKeys
from syncd.wire.lane import send_lane, take_lane
from syncd.wire.lane_events import Confirmed, encode
from syncd.wire.messages import LaneTicket, OpenLane
from tests.faults.forged import send_forged
from tests.faults.provoked import looked_at
from tests.faults.runs import cut_finely
from tests.faults.scenes import (
    clips,
    moves,
    order_by_hand,
    play,
    put_roll,
    reaches,
    row_of,
    stored,
    until,
)
from tests.faults.sim_net import SimLink
from tests.faults.strikes_edits import edit_in_place
from tests.faults.virtual_time import run_simulated
from tests.faults.world import DAY, LANDING, World
from tests.storage.rig import Rig, StillClock, footage, write_parcel
from tests.wire.greeted import greeted
from tests.wire.memory_link import LoopClock, MemoryLink, link_pair
from tests.wire.parcels import ROLL, Orders, Shelf, Store, data_of

KEPT_BYTES = 150_000


@looked_at
async def greeting_is_overheard(world: World) -> None:
    """Who overheard a lane's first frame gets no answer to it, whether or not it had arrived."""
    put_roll(world, "A012", clips(world))
    await moves(world, "A012")
    assert world.net.hellos, "lanes begin with a hello"
    link = await world.net.dial("stranger-1", "process-1")
    await read_nonce(link, world.processing.clock)
    await link.send(world.net.hellos[world.seed % len(world.net.hellos)])
    assert not await _is_welcome(link), "promise 9: a greeting that was overheard opens a lane"
    ticket = await world.net.ask("offload-1", "process-1", OpenLane(purpose="send"))
    assert not await opens(world, "offload-1", ticket, key=bytes(16)), "promise 9: no key"
    assert await opens(world, "offload-1", ticket), "a ticket was used up without its key"
    await reaches(world, "A012")


@looked_at
async def ticket_is_shown_again(world: World) -> None:
    """Even who has a ticket's key opens one lane with it."""
    put_roll(world, "A012", clips(world))
    await moves(world, "A012")
    ticket = await world.net.ask("offload-1", "process-1", OpenLane(purpose="send"))
    assert await opens(world, "offload-1", ticket), "a good ticket opens a lane"
    assert not await opens(world, "offload-1", ticket), "promise 9: a ticket was good twice"
    await reaches(world, "A012")


@looked_at
async def ticket_is_shown_elsewhere(world: World) -> None:
    """A ticket opens no lane from another box, though that has its key."""
    put_roll(world, "A012", clips(world))
    await moves(world, "A012")
    ticket = await world.net.ask("offload-1", "process-1", OpenLane(purpose="send"))
    assert not await opens(world, "stranger-1", ticket), "promise 9: a ticket was carried off"
    await reaches(world, "A012")


async def opens(world: World, dialler: str, ticket: LaneTicket, key: bytes = b"") -> bool:
    """Tell whether dialler is made welcome with a ticket."""
    link = await world.net.dial(dialler, "process-1")
    talk = Conversation(Role.GIVER, LaneKeys(key or ticket.key), dialled=True)
    nonce = await read_nonce(link, world.processing.clock)
    await link.send(talk.send(talk.hello(ticket.ticket, nonce)))
    welcome = await _is_welcome(link)
    link.close()
    return welcome


async def _is_welcome(link: SimLink) -> bool:
    """Tell whether anything is said to a greeting."""
    try:
        return bool(await link.receive_into(memoryview(bytearray(64)), 5.0))
    except LinkLostError:
        return False


def parcel_is_put_in_place_of_another(seed: int) -> None:
    """Who records one parcel's bytes, and sends them as those of the next one, breaks the lane."""
    run_simulated(_parcels_swapped(seed), limit_s=100)


async def _parcels_swapped(seed: int) -> None:
    near, far = link_pair()
    store, orders = Store([1000, 1000]), Orders(2)
    recorded: list[bytes] = []

    def meddle(data: bytes) -> bytes:
        if len(data) > 1000:  # the record of a parcel, no frame
            recorded.append(data)
            return recorded[0]
        return data

    near.meddle = meddle
    await _ride_until_it_breaks(seed, near, far, store, orders)
    assert len(recorded) == 2, "both parcels were on the wire"
    stored = [number for number, data in store.stored.items() if data != data_of(number, 1000)]
    assert not stored, f"promise 5: a recorded parcel was taken for parcel {stored}"


def confirmation_is_changed_on_the_way(seed: int) -> None:
    """Who turns a bit of a sealed frame breaks the lane, and confirms no other parcel by it."""
    run_simulated(_confirmation_changed(seed), limit_s=100)


async def _confirmation_changed(seed: int) -> None:
    near, far = link_pair()
    near.delay_s = 0.05  # so that the first is confirmed while the others are on the way
    store = Store([1000] * 4)
    orders = Orders(4, is_good=lambda number: number in store.stored)
    said = encode(Confirmed(roll_id=ROLL, number=0))  # its last byte is the number
    changed: list[bytes] = []

    def meddle(data: bytes) -> bytes:
        if len(data) != LENGTH_BYTES + len(said) + TAG_BYTES or changed:
            return data
        changed.append(data)
        number = len(data) - TAG_BYTES - 1
        return data[:number] + bytes([data[number] ^ 1 << seed % 2]) + data[number + 1 :]

    far.meddle = meddle
    await _ride_until_it_breaks(seed, near, far, store, orders)
    assert changed, "a parcel was confirmed on the wire"
    assert not orders.done, f"promise 3: parcels {orders.done} are confirmed by a changed frame"


def parcel_of_the_state_before_comes_late(seed: int) -> None:
    """Once a file without evidence is sent anew, what was read of it before is taken no more."""
    world = World(seed, trust=Trust.SETTLED)

    async def scene() -> None:
        old = clips(world, 1, 90_000)
        (path,) = old
        put_roll(world, "A012", old, evidence={})
        await moves(world, "A012", 30_000)
        row = row_of(world.processing, "A012")
        assert row is not None
        with world.processing.journal.read() as db:
            plan = ParcelPlan(rolls.load_inventory(db, row.roll_id))
        before = _state(world, row.roll_id)
        assert before, "its parcels say in which state it was"
        source = f"{LANDING}/{DAY}/A012"
        edit_in_place(world.offload.disk, f"{source}/{path}", 100, seed % 8)
        new = world.offload.disk.files_below(source)
        world.others["A012"] = [new]
        states = (b"", before)
        await until(
            lambda: _state(world, row.roll_id) not in states, "it is sent anew", every_s=0.001
        )
        order_by_hand(world.offload, None, paused=True)
        for number in range(plan.count):
            await send_forged(world, "offload-1", row.roll_id, plan, number, evidence=before)
        order_by_hand(world.offload, None, paused=False)
        await reaches(world, "A012")
        assert stored(world, "A012")[path] == new[path], "promise 5: published as a mix of two"

    with cut_finely():
        play(world, scene)


def _state(world: World, roll_id: str) -> bytes:
    """Return what the storage expects the parcels of a roll to say."""
    parts = world.processing.parts
    assert parts is not None
    assert parts.keeper is not None
    roll = parts.keeper.receiving.get(roll_id)
    return b"" if roll is None else roll.state


async def _ride_until_it_breaks(
    seed: int, near: MemoryLink, far: MemoryLink, store: Store, orders: Orders
) -> None:
    """Send a store's parcels on a lane; it is to break, and to confirm none that is not there."""
    clock, keys = LoopClock(), LaneKeys(seed.to_bytes(16, "big"))

    async def take() -> None:
        await take_lane(far, clock, store, await greeted(far, clock, keys, bytes(16)))

    sending = send_lane(near, clock, orders, Shelf(store.sizes), keys, 3, ticket=bytes(16))
    ends = [asyncio.ensure_future(sending), asyncio.ensure_future(take())]
    ended = asyncio.ensure_future(orders.ended.wait())
    await asyncio.wait([*ends, ended], timeout=20.0, return_when=asyncio.FIRST_COMPLETED)
    ended.cancel()
    near.close()
    await asyncio.wait(ends)
    for end in ends:
        error = end.exception()
        if isinstance(error, AssertionError):
            raise error
        assert isinstance(error, LinkLostError), error


def lanes_of_two_boxes_wait_before_they_write(seed: int) -> None:
    """What was promised to a lane that stands still is promised to no other one."""
    clock, chance = StillClock(), random.Random(seed)
    with cut_finely():
        one = Rig(footage(big_bytes=100_000), clock=clock)
        other = Rig(
            footage(big_bytes=100_000, seed=8), disk=one.disk, source="/media/b", clock=clock
        )
        area = one.area(keep_free_bytes=KEPT_BYTES)
        boxes = []
        for rig in (one, other):
            receiving = ReceivingRolls(area, rig.journal)
            receiving.add(ReceivingRoll(rig.inventory, area, rig.journal, lambda: None))
            boxes.append((rig, receiving, iter(range(rig.plan.count))))
        one.disk.full_after(KEPT_BYTES + 100_000)
        begun = []
        while boxes:
            rig, receiving, numbers = chance.choice(boxes)
            clock.now_s += 2
            try:
                number = next(numbers)
                sink = receiving.begin(rig.roll_id, number)
                begun.append((receiving, rig.reader(), number, sink))
            except (HeldError, StopIteration):
                boxes.remove((rig, receiving, numbers))
        for receiving, reader, number, sink in begun:
            write_parcel(receiving, reader, number, sink)
        left = one.disk.capacity_bytes - one.disk.tree.used_bytes
        assert left >= KEPT_BYTES, f"the reserve of {KEPT_BYTES} bytes is down to {left}"
