"""One seed, one run; and any number of seeds, over all processors, with what struck counted.

    python -m tests.faults.runs --seeds 100000          progress on stderr, the table on stdout
    SYNCD_SEED=N python -m pytest tests/faults/test_simulation.py      one of them again

Exit code 1 if any seed failed; a failure does not end the others.
"""

import argparse
import asyncio
import logging
import os
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager, suppress
from multiprocessing import get_context

from tests.faults import checks, ending
from tests.faults.day import Day, day_of, landings_of, shoot, trouble
from tests.faults.others import be_a_rogue, be_a_stranger, fetch_what_is_ready
from tests.faults.scenes import SMALL
from tests.faults.virtual_time import run_simulated
from tests.faults.world import World

ARRIVES_WITHIN_S = 1000.0  # a cure is tried again after 300 s at the latest, a landing after 60 s
SEEDS_PER_TASK = 20


def run_seed(seed: int) -> World:
    """Run one seed to its end. Raises AssertionError naming the seed and the broken promise."""
    day = day_of(seed)
    world = World(seed, landings=landings_of(day), trust=day.trust)
    try:
        with cut_finely(), quiet_log():
            checks.look_on(world)
            run_simulated(_run(world, day), limit_s=5000.0)
    except Exception as error:
        raise AssertionError(
            f"seed {seed}: {_first(error)!r}\n  {day}\n"
            f"  again: SYNCD_SEED={seed} python -m pytest tests/faults/test_simulation.py"
        ) from error
    return world


def _first(error: BaseException) -> BaseException:
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return error


async def _run(world: World, day: Day) -> None:
    """Let the boxes live, with trouble for a while, then without; everything must arrive."""
    boxes = [world.offload, world.processing]
    if day.has_editorial:
        world.editorial.disk.make_root(checks.TARGET)
        boxes.append(world.editorial)
    world.tasks = [asyncio.create_task(box.live(), name=box.name) for box in boxes]
    aside = [asyncio.create_task(shoot(world, day), name="shoot")]
    mischief = [asyncio.create_task(trouble(world, day), name="trouble")]
    if day.has_stranger:
        mischief.append(asyncio.create_task(be_a_stranger(world), name="stranger"))
    if day.has_rogue:
        mischief.append(asyncio.create_task(be_a_rogue(world), name="rogue"))
    if day.has_editorial:
        world.tasks.append(asyncio.create_task(fetch_what_is_ready(world), name="fetches"))
    try:
        await asyncio.sleep(day.faults_s)
        await aside[0]
        await _end(mischief)
        ending.calm(world)
        await ending.everything_arrives(world, ARRIVES_WITHIN_S)
        checks.check_end(world)
    finally:
        with suppress(Exception):
            await _end([*world.tasks, *aside, *mischief])


async def _end(tasks: Sequence["asyncio.Task[None]"]) -> None:
    for task in tasks:
        task.cancel()
    for result in await asyncio.gather(*tasks, return_exceptions=True):
        if isinstance(result, Exception):
            raise result


@contextmanager
def quiet_log() -> Iterator[None]:
    """Leave out what the daemons say: a run says it a thousand times."""
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)
    try:
        yield
    finally:
        logging.disable(before)


@contextmanager
def cut_finely() -> Iterator[None]:
    """Cut small rolls into many parcels, in every module that took a limit by name."""
    changed = [
        (module, name, getattr(module, name), value)
        for module in [m for known, m in sys.modules.items() if known.startswith("syncd.")]
        for name, value in SMALL.items()
        if hasattr(module, name)
    ]
    for module, name, _, value in changed:
        setattr(module, name, value)
    try:
        yield
    finally:
        for module, name, before, _ in changed:
            setattr(module, name, before)


# Many seeds


def run_seeds(first: int, count: int) -> tuple[Counter[str], list[tuple[int, str]]]:
    """Run seeds one after the other; return what struck, and what failed."""
    struck: Counter[str] = Counter()
    failed: list[tuple[int, str]] = []
    for seed in range(first, first + count):
        try:
            world = run_seed(seed)
        except AssertionError as error:
            failed.append((seed, str(error)))
        else:
            struck.update(world.struck)
            struck["runs"] += 1
    return struck, failed


def run_many(
    first: int, count: int, jobs: int, *, says: bool = True
) -> tuple[Counter[str], list[tuple[int, str]]]:
    """Run seeds over processes; a failing one does not end the others."""
    struck: Counter[str] = Counter()
    failed: list[tuple[int, str]] = []
    begun_s = time.monotonic()
    starts = range(first, first + count, SEEDS_PER_TASK)
    sizes = [min(SEEDS_PER_TASK, first + count - start) for start in starts]
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
        for done, result in enumerate(pool.map(run_seeds, starts, sizes), 1):
            struck.update(result[0])
            failed += result[1]
            for _, text in result[1]:
                _say(text)
            if says and done % 25 == 0:
                ran = struck["runs"] + len(failed)
                rate = ran / (time.monotonic() - begun_s)
                _say(f"{ran} of {count} runs, {len(failed)} failed, {rate:.1f} a second")
    return struck, failed


def _say(text: str) -> None:
    sys.stderr.write(f"{text}\n")
    sys.stderr.flush()


def table(struck: Counter[str], failed: Sequence[tuple[int, str]]) -> str:
    """Write what struck how often, as text."""
    lines = [f"{'fault':45} {'struck':>10}"]
    lines += [f"{kind:45} {struck[kind]:10}" for kind in sorted(struck) if kind != "runs"]
    lines.append(f"{'runs':45} {struck['runs'] + len(failed):10}")
    lines.append(f"{'broken promises':45} {len(failed):10}")
    return "\n".join(lines)


def main() -> int:
    """Run many seeds and print the table."""
    parser = argparse.ArgumentParser(description="Run simulated days of syncd, one for each seed.")
    parser.add_argument("--seeds", type=int, default=1000, help="how many")
    parser.add_argument("--first", type=int, default=0, help="the first one")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="processes")
    given = parser.parse_args()
    struck, failed = run_many(given.first, given.seeds, given.jobs)
    again = [f"SYNCD_SEED={s} python -m pytest tests/faults/test_simulation.py" for s, _ in failed]
    sys.stdout.write("\n".join([table(struck, failed), *again, ""]))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
