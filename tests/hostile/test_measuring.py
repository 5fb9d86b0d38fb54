"""A paired box that measures to do harm: it has a short time for it, and leaves nothing.

Real daemons. Beside it the honest box hands a roll over, and then measures itself.
"""

import asyncio
from pathlib import Path

import pytest

from syncd.errors import SyncdError
from syncd.limits import MIB
from syncd.storage.layout import SPEED
from syncd.wire.messages import Speed, SpeedAnswer
from tests.boxes import Pair, wait_until
from tests.hostile.honest import place
from tests.hostile.peer import Calls, HostilePeer
from tests.speed.test_speed import typed

pytestmark = pytest.mark.timeout(240)


async def _attack(calls: Calls, storage: Path) -> None:
    """Take a measuring, write as much as may be, ask for everything twice, and fall silent."""
    lane = await calls.say_on_a_lane("speed")
    assert lane == "", "no welcome without a measuring"
    begun = await calls.ask(Speed(run=1, step="begin"))
    assert isinstance(begun, SpeedAnswer), begun
    for step in ("write", "write", "read", "hash"):
        await calls.ask(Speed(run=1, step=step, seconds=7.0))
    assert (storage / SPEED).exists()


async def _ask_as_editorial(calls: Calls) -> None:
    assert isinstance(await calls.ask(Speed(run=1, step="begin")), SyncdError)
    assert isinstance(await calls.ask(Speed(run=1, step="end")), SyncdError)
    assert await calls.say_on_a_lane("speed") != ""


def test_a_box_that_measures_to_do_harm_is_sent_away(tmp_path: Path) -> None:
    """The honest roll moves at once; nothing is left; and the honest box can measure."""
    offload = HostilePeer("offload-2", "offload", tmp_path)
    edit = HostilePeer("edit-2", "editorial", tmp_path)
    pair = Pair(tmp_path)
    pair.configure(processing=offload.table() + edit.table())

    async def attack() -> None:
        async with edit.calling(pair.processing) as calls:
            await _ask_as_editorial(calls)
        async with offload.calling(pair.processing) as calls:
            await _attack(calls, pair.storage)

    with pair:
        asyncio.run(attack())
        place(pair, tmp_path, "A012", MIB)
        pair.wait_ready("A012")
        wait_until(lambda: not (pair.storage / SPEED).exists(), 30, "what was written is left")
        found = typed(pair.offload, "speed", "--seconds", "0.2", "--json")

    assert found.code == 0, found
    assert any("measures something else" in said for said in offload.said)
    assert all("needs offload" in said for said in edit.said), edit.said
