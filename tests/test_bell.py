"""The bell between threads and the loop; and the real clock and chance."""

import asyncio
import threading

from syncd.bell import Bell
from syncd.edges.chance import SystemChance
from tests.faults.virtual_time import run_simulated

SOON_S = 5.0


async def test_a_ring_before_the_wait_is_not_lost() -> None:
    """Several of them count as one."""
    bell = Bell()
    bell.ring()
    bell.ring()
    assert await bell.wait(None)
    assert not await bell.wait(0.001)


async def test_a_ring_from_another_thread_ends_the_wait() -> None:
    """Lanes and the journal ring from threads of their own."""
    bell = Bell()
    timer = threading.Timer(0.01, bell.ring)
    timer.start()
    assert await bell.wait(SOON_S)
    timer.join()


async def test_no_ring_is_lost_between_threads_and_the_loop() -> None:
    """Whatever is done before a ring is seen by a look after it, however they interleave."""
    bell, done = Bell(), list[int]()

    def work() -> None:
        for number in range(200):
            done.append(number)
            bell.ring()

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    seen = 0
    while seen < 800:
        assert await bell.wait(SOON_S), f"a ring was lost after {seen}"
        seen = len(done)
    for thread in threads:
        thread.join()


def test_a_wait_times_out_on_simulated_time() -> None:
    """An hour costs nothing."""

    async def wait_an_hour() -> tuple[bool, float]:
        loop = asyncio.get_running_loop()
        began_s = loop.time()
        return await Bell().wait(3600), loop.time() - began_s

    assert run_simulated(wait_an_hour(), limit_s=4000) == (False, 3600)


def test_a_ring_after_the_loop_has_closed_is_harmless() -> None:
    """A thread that ends late rings for nobody."""
    bell = Bell()

    async def wait_shortly() -> None:
        waiting = asyncio.create_task(bell.wait(60))
        await asyncio.sleep(0)
        waiting.cancel()

    asyncio.run(wait_shortly())
    bell.ring()


def test_chance_gives_bytes_and_numbers_within_bounds() -> None:
    """As many bytes as asked for, and never the same again."""
    chance = SystemChance()
    assert len(chance.random_bytes(16)) == 16
    assert chance.random_bytes(16) != chance.random_bytes(16)
    assert all(0.5 <= chance.uniform(0.5, 0.75) <= 0.75 for _ in range(100))
