"""The log says once when a roll is held, and when it no longer is."""

import logging
from collections.abc import AsyncIterator

import pytest

from syncd.edges.clock import RealClock
from syncd.journal import rolls
from syncd.journal.journal import Journal
from syncd.limits import HELD_LOGGED_PER_HOUR
from syncd.notices.held_log import HeldLog
from syncd.roll.stages import HeldCode, Stage
from tests.journal.samples import DAY, NOW, add

FULL, WRONG = HeldCode.STORAGE_FULL, HeldCode.EVIDENCE_MISMATCH


@pytest.fixture
async def roll_id(journal: Journal, caplog: pytest.LogCaptureFixture) -> AsyncIterator[str]:
    """Give a roll of a journal whose held log is written."""
    caplog.set_level(logging.INFO, "syncd.notices.held_log")
    with journal.write() as db:
        roll_id = add(db, "A012")
        rolls.hold(db, add(db, "B007"), FULL, "held before the start", None, now_utc_ms=NOW)
    async with HeldLog(journal, RealClock()).written():
        yield roll_id


def hold(journal: Journal, roll_id: str, code: HeldCode, message: str) -> None:
    """Hold a roll for a file."""
    with journal.write() as db:
        rolls.hold(db, roll_id, code, message, "Clips/A.mov", now_utc_ms=NOW)


def hold_in_vain(journal: Journal, roll_id: str) -> None:
    """Hold a roll in a transaction that comes to nothing."""
    with journal.write() as db:
        rolls.hold(db, roll_id, FULL, "No room. Free some.", None, now_utc_ms=NOW)
        rolls.hold(db, "no such roll", FULL, "", None, now_utc_ms=NOW)


def release(journal: Journal, roll_id: str) -> None:
    """Let a roll go on."""
    with journal.write() as db:
        rolls.release(db, roll_id, now_utc_ms=NOW)


async def test_a_hold_and_its_end_are_a_line_each(
    journal: Journal, roll_id: str, caplog: pytest.LogCaptureFixture
) -> None:
    """With reason, file and what to do; not again while it stays, in whatever words."""
    hold(journal, roll_id, WRONG, "It differs. Offload it again.")
    for free in range(3):
        hold(journal, roll_id, WRONG, f"It differs by {free}. Offload it again.")
    release(journal, roll_id)
    hold(journal, roll_id, FULL, "No room. Free some.")
    with journal.write() as db:
        rolls.set_stage(db, roll_id, Stage.MOVING, now_utc_ms=NOW)

    name = f"{DAY}/A012"
    assert caplog.messages == [
        f"{name} is held, evidence-mismatch Clips/A.mov: It differs. Offload it again.",
        f"{name} is held no longer.",
        f"{name} is held, storage-full Clips/A.mov: No room. Free some.",
        f"{name} is held no longer.",
    ]


async def test_what_is_not_committed_is_not_said(
    journal: Journal, roll_id: str, caplog: pytest.LogCaptureFixture
) -> None:
    """A journal that fails again and again fills no log with holds that are none."""
    with pytest.raises(AssertionError):
        hold_in_vain(journal, roll_id)
    assert caplog.messages == []


async def test_a_roll_that_is_held_over_and_over_fills_no_log(
    journal: Journal, roll_id: str, caplog: pytest.LogCaptureFixture
) -> None:
    """A few pairs of lines within an hour, and the last one says that there are no more."""
    for _ in range(100):
        hold(journal, roll_id, FULL, "No room. Free some.")
        release(journal, roll_id)
    assert len(caplog.messages) == 2 * HELD_LOGGED_PER_HOUR
    assert "no more of it within the hour" in caplog.messages[-2]
