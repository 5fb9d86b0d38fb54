"""A webhook's receiver that answers anything: bytes over a real socket, and always an outcome."""

import asyncio
import math
import random

from syncd.edges.clock import RealClock
from syncd.notices.signing import key_of
from syncd.notices.webhook import Target, WebhookSubscriber
from tests.fuzz.mutations import mutated
from tests.fuzz.said import check_text
from tests.fuzz.target import load
from tests.notices.test_signing import NOTICE, SECRET
from tests.notices.test_webhook import PATH, raw_receiver

ANSWERS = 60
TIMEOUT_S = 1.0


async def test_whatever_a_receiver_answers_is_an_outcome() -> None:
    """Delivered only by a status of 2xx; else it is tried again, after a time that ends."""
    target, chance = load("retry-after"), random.Random(7)
    seeds = [seed for seed in target.seeds() if seed.startswith(b"HTTP")]
    answer = b""

    async def talk(_: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(answer)
        await writer.drain()

    took = 0
    async with raw_receiver(talk) as url:
        hook = WebhookSubscriber(
            "hooks",
            Target(url),
            "process-1",
            lambda: (key_of(SECRET),),
            RealClock(),
            timeout_s=TIMEOUT_S,
        )
        for number in range(ANSWERS):
            seed = chance.choice(seeds).replace(b"503", b"200" if number % 2 else b"503")
            answer = mutated(target, seed, chance)
            outcome = await hook.deliver(NOTICE, PATH)
            took += outcome.delivered
            check_text(outcome.note, length_max=300)
            assert "key=" not in outcome.note
            if outcome.delivered:
                assert b" 2" in answer
            assert 0 <= outcome.least_wait_s < math.inf
    assert 0 < took < ANSWERS
