"""How long a code is good: as long as somebody shows it, and not on after that."""

import asyncio
from pathlib import Path

from syncd.pairing import UNSHOWN_S
from syncd.wire.pairing import Party
from syncd.wire.pairing_code import CODE_VALID_S
from tests.faults.virtual_time import run_simulated
from tests.test_pairing_finding import OTHER, Scene

ASKED_FOR_S = 2.0
MOMENT_S = 1.0


def test_a_code_ends_soon_after_nobody_waits_for_it_any_more(tmp_path: Path) -> None:
    """The command asks again and again; once it is killed, its last question is held for a bit."""
    pairing = Scene(tmp_path).pairing

    async def shown() -> None:
        running = asyncio.create_task(pairing.run(), name="pairing")
        number = pairing.open()["id"]
        for _ in range(20):
            assert (await pairing.wait(number, ASKED_FOR_S))["state"] == "open"
        await asyncio.sleep(UNSHOWN_S - MOMENT_S)  # a loaded machine asks late
        assert (await pairing.wait(number, ASKED_FOR_S))["state"] == "open"
        await asyncio.sleep(UNSHOWN_S + MOMENT_S)
        assert not pairing.talks.is_open
        assert (await pairing.wait(number, ASKED_FOR_S))["state"] == "closed"
        running.cancel()
        await asyncio.wait([running])

    run_simulated(shown(), limit_s=200)


def test_a_code_that_is_waited_for_all_the_time_ends_when_it_expires(tmp_path: Path) -> None:
    """Waiting for the code of before, or of none, keeps none alive."""
    pairing = Scene(tmp_path).pairing

    async def shown() -> None:
        running = asyncio.create_task(pairing.run(), name="pairing")
        number = pairing.open()["id"]
        assert (await pairing.wait(number, 2 * CODE_VALID_S))["state"] == "expired"
        pairing.open()
        for _ in range(int(UNSHOWN_S + MOMENT_S)):
            assert (await pairing.wait(number, ASKED_FOR_S))["state"] == "closed"
            await asyncio.sleep(1)
        assert not pairing.talks.is_open
        running.cancel()
        await asyncio.wait([running])

    run_simulated(shown(), limit_s=1000)


def test_whoever_shows_a_code_hears_at_once_of_a_wrong_one(tmp_path: Path) -> None:
    """Who typed it, as that box says, and what is left; a new code knows of none."""
    pairing = Scene(tmp_path).pairing

    async def shown() -> None:
        number = pairing.open()["id"]
        assert pairing.state(number)["wrong"] is None
        waiting = asyncio.create_task(pairing.wait(number, 60), name="wait")
        await asyncio.sleep(1)
        assert pairing.talks.window is not None
        pairing.talks.window.judge(False, asyncio.get_running_loop().time())
        pairing.talks.wrong = Party("edit-1", OTHER, ("editorial",), 8840), "10.20.0.3"
        await asyncio.sleep(1)
        assert waiting.done()
        said = waiting.result()
        assert (said["state"], said["tries_left"]) == ("open", 2)
        assert (said["wrong"]["name"], said["wrong"]["address"]) == ("edit-1", "10.20.0.3")
        assert pairing.open()["wrong"] is None

    run_simulated(shown(), limit_s=100)


def test_whoever_shows_a_code_hears_who_asks_again_and_again(tmp_path: Path) -> None:
    """Once the time is over, however many ask meanwhile; a new code begins at nothing."""
    pairing = Scene(tmp_path).pairing

    async def shown() -> None:
        number = pairing.open()["id"]
        assert pairing.state(number)["askers"] is None
        waiting = asyncio.create_task(pairing.wait(number, ASKED_FOR_S), name="wait")
        for _ in range(7):
            await asyncio.sleep(0.2)
            pairing.talks.askers.note("10.20.0.9")
            assert not waiting.done()
        assert (await waiting)["askers"] == {"address": "10.20.0.9", "count": 7}
        assert pairing.open()["askers"] is None

    run_simulated(shown(), limit_s=100)
