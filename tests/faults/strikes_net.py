"""What the network does to the boxes: each function strikes once and ends by itself, or is ended.

Owns: cables, planes, lanes, questions and answers that are cut, dead, late, doubled or flipped.
"""

import asyncio
import random
from collections.abc import Awaitable, Callable

from tests.faults.sim_net import Pair, Plane, SimLink
from tests.faults.world import World

Strike = Callable[[World, random.Random], Awaitable[None]]


def _pair(world: World, rng: random.Random) -> Pair:
    peers = ["offload-1", "edit-1"] if not world.editorial.is_down else ["offload-1"]
    return frozenset({"process-1", rng.choice(peers)})


def _link(world: World, rng: random.Random) -> SimLink | None:
    links = world.net.links()
    return rng.choice(links) if links else None


async def _cut(
    world: World, rng: random.Random, kind: str, plane: Plane | None, longest_s: float
) -> None:
    pair = _pair(world, rng)
    world.strike(kind)
    world.net.cut(pair, plane)
    await asyncio.sleep(rng.uniform(0.05, longest_s))
    for each in (plane,) if plane else tuple(Plane):
        world.net.open(pair, each)


async def _quiet(
    world: World, rng: random.Random, kind: str, planes: tuple[Plane, ...], longest_s: float
) -> None:
    pair = _pair(world, rng)
    world.strike(kind)
    for plane in planes:
        world.net.quiet(pair, plane)
    await asyncio.sleep(rng.uniform(0.2, longest_s))
    for plane in planes:
        world.net.open(pair, plane)


async def cable_out(world: World, rng: random.Random) -> None:
    """Pull a cable: both ends know at once."""
    await _cut(world, rng, "cable out", None, rng.choice((0.3, 4.0, 15.0)))


async def control_out(world: World, rng: random.Random) -> None:
    """Let no question through; lanes live."""
    await _cut(world, rng, "control plane out, lanes live", Plane.CONTROL, 6.0)


async def lanes_out(world: World, rng: random.Random) -> None:
    """Let no lane live; questions pass."""
    await _cut(world, rng, "lanes out, control plane lives", Plane.LANES, 6.0)


async def half_open(world: World, rng: random.Random) -> None:
    """Let nothing pass at all, and tell nobody."""
    await _quiet(world, rng, "half-open, all", tuple(Plane), 25.0)


async def half_open_control(world: World, rng: random.Random) -> None:
    """Let no question pass, and tell nobody."""
    await _quiet(world, rng, "half-open, control plane", (Plane.CONTROL,), 25.0)


async def half_open_lanes(world: World, rng: random.Random) -> None:
    """Let no byte of a lane pass, and tell nobody."""
    await _quiet(world, rng, "half-open, lanes", (Plane.LANES,), 25.0)


async def late(world: World, rng: random.Random) -> None:
    """Let everything come late by seconds."""
    planes = rng.choice((tuple(Plane), (Plane.CONTROL,), (Plane.LANES,)))
    await _quiet(world, rng, "late by seconds", planes, 5.0)


async def reset(world: World, rng: random.Random) -> None:
    """Break what is open, and let it be opened again at once."""
    world.strike("connections reset")
    world.net.reset(_pair(world, rng))


async def one_lane_cut(world: World, rng: random.Random) -> None:
    """Break one of several lanes, at both ends."""
    link = _link(world, rng)
    if link is not None and link.twin is not None:
        world.strike("one lane cut")
        link.cut()
        link.twin.cut()


async def one_end_cut(world: World, rng: random.Random) -> None:
    """One end breaks; the other finds out when it sends, or when it hears nothing."""
    link = _link(world, rng)
    if link is not None:
        world.strike("one end of a lane cut")
        link.cut()


async def one_direction_dead(world: World, rng: random.Random) -> None:
    """Let nothing more pass from one end of a lane to the other."""
    link = _link(world, rng)
    if link is not None:
        world.strike("one direction of a lane dead")
        link.quiet()
        await asyncio.sleep(rng.uniform(0.5, 20.0))
        link.unquiet()


async def reordered(world: World, rng: random.Random) -> None:
    """Let what one lane carries overtake what another does."""
    link = _link(world, rng)
    if link is not None:
        world.strike("reordered between lanes")
        link.slow_s = rng.uniform(0.1, 3.0)
        await asyncio.sleep(rng.uniform(0.5, 8.0))
        link.slow_s = 0.0


async def answers_lost(world: World, rng: random.Random) -> None:
    """Lose answers after the deed was done."""
    world.net.lost_answers_left += rng.randrange(1, 4)


async def asked_twice(world: World, rng: random.Random) -> None:
    """Let questions come twice, the second time later."""
    world.net.doubles_left += rng.randrange(1, 6)


async def flipped_on_the_wire(world: World, rng: random.Random) -> None:
    """Flip bits of what travels on lanes."""
    world.net.flips_left += rng.randrange(1, 3)


async def swizzle(world: World, rng: random.Random) -> None:
    """Stop ways and links one by one, then let them go on in another order."""
    world.strike("swizzle")
    stopped: list[tuple[Pair, Plane] | SimLink] = list(world.net.links())
    stopped += [(pair, plane) for pair in (_pair(world, rng),) for plane in Plane]
    rng.shuffle(stopped)
    for each in stopped:
        if isinstance(each, SimLink):
            each.quiet()
        else:
            world.net.quiet(*each)
        await asyncio.sleep(rng.uniform(0.0, 1.0))
    rng.shuffle(stopped)
    for each in stopped:
        await asyncio.sleep(rng.uniform(0.0, 1.0))
        if isinstance(each, SimLink):
            each.unquiet()
        else:
            world.net.open(*each)


STRIKES: dict[str, Strike] = {
    "cable": cable_out,
    "control-out": control_out,
    "lanes-out": lanes_out,
    "half-open": half_open,
    "half-open-control": half_open_control,
    "half-open-lanes": half_open_lanes,
    "late": late,
    "reset": reset,
    "lane": one_lane_cut,
    "end": one_end_cut,
    "direction": one_direction_dead,
    "reorder": reordered,
    "answers": answers_lost,
    "twice": asked_twice,
    "wire-flip": flipped_on_the_wire,
    "swizzle": swizzle,
}
