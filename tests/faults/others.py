"""Who else is on the network: an editorial box that fetches, a stranger that tries, a rogue.

Owns: the fetches that editorial asks for, and promise 9 as a stranger and a paired box test it.
"""

import asyncio
from typing import Any

from syncd.errors import LinkLostError, PeerRefusedError, PeerUnreachableError, SyncdError
from syncd.journal import rolls
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode, Stage, is_before
from syncd.wire.frames import Conversation, Role
from syncd.wire.greeting import read_nonce
from syncd.wire.keys import LaneKeys
from syncd.wire.messages import Hello, InventoryQuestion, Listing, OpenLane, Tidings, Withhold
from syncd.wire.tickets import TICKET_BYTES
from tests.faults.checks import STRANGER, TARGET, seeded
from tests.faults.forged import send_forged
from tests.faults.sim_disk import SimCrash
from tests.faults.world import World

PATIENCE_S = 3.0
ROGUE = "offload-2"


async def fetch_what_is_ready(world: World) -> None:
    """Have editorial fetch every roll once it is ready, as a person there would ask."""
    while True:
        await asyncio.sleep(1.0)
        for row in world.processing.rows():
            if row.name in world.wanted or row.same_as or is_before(row.stage, Stage.READY):
                continue
            parts = world.editorial.parts
            if world.editorial.is_down or parts is None or parts.fetching is None:
                continue
            try:
                async with asyncio.timeout(60.0):
                    await parts.fetching.start(row.roll_id, TARGET)
            except (SyncdError, SimCrash, TimeoutError):
                continue  # asked again a second later
            world.wanted.append(row.name)


async def be_a_stranger(world: World) -> None:
    """Ask, and open lanes, with no trust at all: nothing may come back."""
    rng = seeded(world)
    questions: list[Any] = [
        Hello(node=STRANGER, roles=("offload",), version="0", utc_ms=0),
        OpenLane(purpose="send"),
        OpenLane(purpose="fetch"),
        Listing(),
        Tidings(after=0, wait_s=0.0),
    ]
    while True:
        await asyncio.sleep(rng.uniform(0.1, 2.0))
        host = rng.choice(("process-1", "offload-1"))
        if rng.random() < 0.5:
            await _ask(world, host, rng.choice(questions))
        else:
            await _open_a_lane(world, host, _first_frame(world, rng.randbytes(TICKET_BYTES)))


async def _ask(world: World, host: str, question: Any) -> None:
    try:
        answer = await world.net.ask(STRANGER, host, question)
    except PeerRefusedError:
        world.strike("stranger refused")
    except PeerUnreachableError:
        return
    else:
        world.breaks(f"promise 9: a stranger was answered {answer}")


async def be_a_rogue(world: World) -> None:
    """Be paired as another offload box, ask what is not for it, and meddle with others' rolls.

    Whatever came of a parcel or a word of its own about them is seen by all other checks.
    """
    rng = seeded(world)
    while True:
        await asyncio.sleep(rng.uniform(0.1, 2.0))
        rows = [row for row in world.processing.rows() if row.peer == "offload-1"]
        roll_id = rng.choice(rows).roll_id if rows else "ab" * 16
        withhold = Withhold(roll_id=roll_id, code=HeldCode.SOURCE_CHANGED)
        forbidden = (OpenLane(purpose="fetch"), Listing(), InventoryQuestion(roll_id=roll_id))
        try:
            match rng.randrange(3):
                case 0:
                    question = rng.choice(forbidden)
                    answer = await world.net.ask(ROGUE, "process-1", question)
                    world.breaks(f"promise 9: a rogue was answered {answer}")
                case 1:
                    await world.net.ask(ROGUE, "process-1", withhold)
                    world.strike("rogue withholds")
                case _ if rows:
                    with world.processing.journal.read() as db:
                        plan = ParcelPlan(rolls.load_inventory(db, roll_id))
                    await send_forged(world, ROGUE, roll_id, plan, rng.randrange(plan.count))
                    world.strike("rogue sends")
        except PeerRefusedError:
            world.strike("rogue refused")
        except (PeerUnreachableError, LinkLostError):
            continue


def _first_frame(world: World, ticket: bytes) -> bytes:
    """Return a forged hello, or one that was on the wire before, whether or not it arrived."""
    rng = seeded(world)
    if world.net.hellos and rng.random() < 0.5:
        return rng.choice(world.net.hellos)
    talk = Conversation(Role.GIVER, LaneKeys(ticket), dialled=True)
    return talk.send(talk.hello(ticket, bytes(16)))


async def _open_a_lane(world: World, host: str, hello: bytes) -> None:
    try:
        link = await world.net.dial(STRANGER, host)
        await read_nonce(link, world.processing.clock)
        await link.send(hello)
        if await link.receive_into(memoryview(bytearray(4096)), PATIENCE_S):
            world.breaks("promise 9: a stranger was sent something on a lane")
    except LinkLostError:
        world.strike("stranger's lane refused")
    else:
        link.close()
