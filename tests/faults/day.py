"""What one seed is made of: which rolls are shot, which faults strike, and how often.

Owns: the choice, all of it from the seed. Most seeds are small and have few kinds of faults, so
that each kind is met alone, with few others, and with many; some have everything.
"""

import asyncio
import random
from dataclasses import dataclass, replace

from syncd.roll.inventory import Trust
from syncd.roll.stages import HeldCode
from tests.evidence.samples import history, manifest, records
from tests.faults import strikes_box, strikes_edits, strikes_net, strikes_source
from tests.faults.strikes_net import Strike
from tests.faults.strikes_source import written_slowly
from tests.faults.world import LANDING, Shot, World, digest_list

SECOND_LANDING = "/media/landing-2"
STRIKES: dict[str, Strike] = {
    **strikes_net.STRIKES,
    **strikes_box.STRIKES,
    **strikes_edits.STRIKES,
    **strikes_source.STRIKES,
}
CRASHES = ("crash-op", "crash-step", "crash-journal", "crash-journal", "crash-start")
NAMES = ("A012", "B007", "S003", "A013", "B008")


@dataclass(frozen=True)
class Day:
    """One seed's choice.

    pace_s: the longest time between two strikes. twin: how the first roll is offered twice:
    "same" content under other evidence, or "other" content under its name.
    """

    shapes: tuple[tuple[str, dict[str, int]], ...]
    kinds: tuple[str, ...]
    pace_s: float
    faults_s: float
    trust: Trust = Trust.EVIDENCE
    twin: str = ""
    has_editorial: bool = False
    has_stranger: bool = False
    is_slow: bool = False
    has_rogue: bool = False


def day_of(seed: int) -> Day:
    """Choose what a seed is made of."""
    rng = random.Random(f"day of {seed}")
    is_large = rng.random() < 0.06
    trust = Trust.SETTLED if rng.random() < 0.06 else Trust.EVIDENCE
    kinds = list(STRIKES)
    if trust is Trust.SETTLED:  # nothing tells a wrong source from a right one
        kinds = [kind for kind in kinds if kind not in strikes_source.STRIKES]
    few = rng.choice((1, 2, 2, 3, 3, 4, 5, 8, len(kinds)))
    chosen = rng.sample(kinds, min(few, len(kinds)))
    if rng.random() < 0.4:
        chosen.append(rng.choice(CRASHES))
    if trust is Trust.SETTLED:
        chosen += strikes_edits.OF_SETTLED
    return Day(
        shapes=tuple(_shape(rng, name, is_large) for name in NAMES[: rng.choice((1, 1, 2, 2, 3))]),
        kinds=tuple(chosen),
        pace_s=rng.choice((0.3, 1.0, 1.0, 3.0)),
        faults_s=rng.choice((3.0, 6.0, 12.0, 25.0 if is_large else 8.0)),
        trust=trust,
        twin=rng.choice(("",) * 10 + ("same", "other")) if trust is Trust.EVIDENCE else "",
        has_editorial=rng.random() < 0.15,
        has_stranger=rng.random() < 0.15,
        is_slow=trust is Trust.EVIDENCE and rng.random() < 0.2,
        has_rogue=rng.random() < 0.15,
    )


def _shape(rng: random.Random, name: str, is_large: bool) -> tuple[str, dict[str, int]]:
    if rng.random() < 0.3:
        return name, {
            "clips": 0,
            "clip_bytes": 0,
            "stills": rng.randrange(1, 40 if is_large else 9),
        }
    return name, {
        "clips": rng.randrange(1, 4),
        "clip_bytes": rng.choice((0, 3000, 8192, 20_000, 120_000 if is_large else 30_000)),
        "stills": rng.choice((0, 0, 2)),
    }


async def shoot(world: World, day: Day) -> None:
    """Let rolls arrive over the first part of the trouble."""
    rng = random.Random(world.rng.random())
    shots = [world.shot(name, **shape) for name, shape in day.shapes]
    shots = [_with_history(shot) if rng.random() < 0.3 else shot for shot in shots]
    if day.trust is Trust.SETTLED:
        shots = [replace(shot, evidence={}) for shot in shots]
    shots += _twins(world, day, shots[0])
    for shot in shots:
        if day.is_slow:
            world.shots.append(shot)
            world.footage.setdefault(shot.name, shot.files)
            await written_slowly(world, rng, shot)
        else:
            world.put(shot)
        if rng.random() < 0.8:
            world.touch(shot)
        await asyncio.sleep(rng.uniform(0.0, 2.0))


def _with_history(shot: Shot) -> Shot:
    """Let a roll come with an ASC MHL history in place of its list."""
    return replace(shot, evidence=history(manifest(records(shot.files))))


def _twins(world: World, day: Day, first: Shot) -> list[Shot]:
    if day.twin == "same":
        evidence = {f"{first.name}.sha1": digest_list(first.files, "sha1")}
        return [Shot(first.name, SECOND_LANDING, first.files, evidence)]
    if day.twin == "other":
        shot = world.shot(first.name, clips=1, clip_bytes=5000)
        other = replace(shot, landing=SECOND_LANDING)
        world.others[first.name] = [other.files]
        world.allowed.add(HeldCode.NAME_TAKEN)
        return [other]
    return []


async def trouble(world: World, day: Day) -> None:
    """Let one strike follow the other, some at the same time, until this is ended."""
    rng = random.Random(world.rng.random())
    async with asyncio.TaskGroup() as group:
        while True:
            await asyncio.sleep(rng.uniform(0.02, day.pace_s))
            strike = (STRIKES | strikes_edits.OF_SETTLED)[rng.choice(day.kinds)]
            group.create_task(_strike(strike, world, random.Random(rng.random())))


async def _strike(strike: Strike, world: World, rng: random.Random) -> None:
    await strike(world, rng)


def landings_of(day: Day) -> tuple[str, ...]:
    """Return the landings that a day needs."""
    return (LANDING, SECOND_LANDING) if day.twin else (LANDING,)
