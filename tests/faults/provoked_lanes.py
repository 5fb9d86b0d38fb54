"""Situations on a lane in which one kind of mistake shows, as provoked.py has them elsewhere.

Owns: greetings that are overheard, tickets that are shown again or elsewhere, parcels that are put
in the place of others. Each function raises AssertionError if a promise is broken.
"""

import asyncio

from syncd.errors import LinkLostError
from syncd.wire.frames import Conversation, Role
from syncd.wire.greeting import read_nonce
from syncd.wire.keys import LaneKeys
from syncd.wire.lane import send_lane, take_lane
from syncd.wire.messages import LaneTicket, OpenLane
from tests.faults.provoked import play_looked_at
from tests.faults.scenes import clips, moves, put_roll, reaches
from tests.faults.sim_net import SimLink
from tests.faults.virtual_time import run_simulated
from tests.faults.world import World
from tests.wire.greeted import greeted
from tests.wire.memory_link import LoopClock, link_pair
from tests.wire.parcels import Orders, Shelf, Store, data_of


def greeting_is_overheard(seed: int) -> None:
    """Who overheard a lane's first frame gets no answer to it, whether or not it had arrived."""
    world = World(seed)

    async def scene(world: World) -> None:
        put_roll(world, "A012", clips(world))
        await moves(world, "A012")
        assert world.net.hellos, "lanes begin with a hello"
        link = await world.net.dial("stranger-1", "process-1")
        await read_nonce(link, world.processing.clock)
        await link.send(world.net.hellos[seed % len(world.net.hellos)])
        assert not await _is_welcome(link), "promise 9: a greeting that was overheard opens a lane"
        ticket = await world.net.ask("offload-1", "process-1", OpenLane(purpose="send"))
        assert not await opens(world, "offload-1", ticket, key=bytes(16)), "promise 9: no key"
        assert await opens(world, "offload-1", ticket), "a ticket was used up without its key"
        await reaches(world, "A012")

    play_looked_at(world, scene)


def ticket_is_shown_again(seed: int) -> None:
    """Even who has a ticket's key opens one lane with it."""
    world = World(seed)

    async def scene(world: World) -> None:
        put_roll(world, "A012", clips(world))
        await moves(world, "A012")
        ticket = await world.net.ask("offload-1", "process-1", OpenLane(purpose="send"))
        assert await opens(world, "offload-1", ticket), "a good ticket opens a lane"
        assert not await opens(world, "offload-1", ticket), "promise 9: a ticket was good twice"
        await reaches(world, "A012")

    play_looked_at(world, scene)


def ticket_is_shown_elsewhere(seed: int) -> None:
    """A ticket opens no lane from another box, though that has its key."""
    world = World(seed)

    async def scene(world: World) -> None:
        put_roll(world, "A012", clips(world))
        await moves(world, "A012")
        ticket = await world.net.ask("offload-1", "process-1", OpenLane(purpose="send"))
        assert not await opens(world, "stranger-1", ticket), "promise 9: a ticket was carried off"
        await reaches(world, "A012")

    play_looked_at(world, scene)


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
    clock, keys = LoopClock(), LaneKeys(seed.to_bytes(16, "big"))
    store = Store([1000, 1000])
    orders = Orders(2)
    recorded: list[bytes] = []

    def meddle(data: bytes) -> bytes:
        if len(data) > 1000:  # the record of a parcel, no frame
            recorded.append(data)
            return recorded[0]
        return data

    near.meddle = meddle

    async def take() -> None:
        await take_lane(far, clock, store, await greeted(far, clock, keys, bytes(16)))

    sending = send_lane(near, clock, orders, Shelf([1000, 1000]), keys, 3, ticket=bytes(16))
    ends = [asyncio.ensure_future(sending), asyncio.ensure_future(take())]
    ended = asyncio.ensure_future(orders.ended.wait())
    await asyncio.wait([*ends, ended], return_when=asyncio.FIRST_COMPLETED)
    ended.cancel()
    near.close()
    await asyncio.wait(ends)
    assert all(isinstance(end.exception(), LinkLostError) for end in ends)
    assert len(recorded) == 2, "both parcels were on the wire"
    stored = [number for number, data in store.stored.items() if data != data_of(number, 1000)]
    assert not stored, f"promise 5: a recorded parcel was taken for parcel {stored}"
