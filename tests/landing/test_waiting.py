"""Rolls that wait for their evidence: walked seldom, and never for long without what has come."""

import asyncio
import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest

from syncd.journal.journal import Journal
from syncd.landing import examine
from syncd.landing.landing import Landing
from syncd.landing.scan import RollScan, scan_roll
from syncd.limits import LIST_QUIET_S, RECHECK_S, RESCAN_S
from syncd.ports import Folder
from syncd.roll.stages import Stage
from tests.landing.samples import CLIPS, media_hash_list, write_clips, write_evidence
from tests.landing.test_landing import rows_of, simulate

LONG_S = 4 * RESCAN_S  # by then it is not walked any more
SOON_S = RESCAN_S + LIST_QUIET_S + 10  # one look, and being still


@pytest.fixture
def walks(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Note each walk of a roll."""
    walked: list[str] = []

    def walk(folder: Folder, path: str) -> RollScan:
        walked.append(path)
        return scan_roll(folder, path)

    monkeypatch.setattr(examine, "scan_roll", walk)
    return walked


def test_a_roll_without_evidence_is_walked_seldom(
    tmp_path: Path, journal: Journal, walks: list[str]
) -> None:
    """A hundred thousand files of which nothing is new took two hundredths of a core."""
    write_clips(tmp_path, "A012")

    async def story(_: Landing) -> None:
        await asyncio.sleep(LONG_S)
        walks.clear()
        await asyncio.sleep(3 * RECHECK_S)
        assert 2 <= len(walks) <= 3

    simulate(tmp_path, journal, story)


def a_list(roll: Path) -> None:
    """Write a list into the roll."""
    write_evidence(roll)


def a_list_in_a_folder(roll: Path) -> None:
    """Write one into the folder of the roll that has all its clips."""
    (roll / "CLIPS" / "all.mhl").write_text(media_hash_list(roll / "CLIPS"))


def a_list_beside(roll: Path) -> None:
    """Write one into the day's folder."""
    text = media_hash_list(roll)
    for path in CLIPS:
        text = text.replace(f"<file>{path}</file>", f"<file>{roll.name}/{path}</file>")
    (roll.parent / f"{roll.name}.mhl").write_text(text)


def a_list_renamed(roll: Path) -> None:
    """Give a file the name of a list, as programs do that write beside and rename."""
    (roll / "all.part").write_text(media_hash_list(roll, leave_out=("all.part",)))
    (roll / "all.part").rename(roll / "all.mhl")


@pytest.mark.parametrize("come", [a_list, a_list_in_a_folder, a_list_beside, a_list_renamed])
def test_evidence_that_comes_without_any_event_is_found_within_a_minute(
    tmp_path: Path, journal: Journal, come: Callable[[Path], object]
) -> None:
    """Events get lost, also those of a roll that has waited for long."""
    roll = write_clips(tmp_path, "A012")

    async def story(_: Landing) -> None:
        await asyncio.sleep(LONG_S)
        assert rows_of(journal)["A012"].stage is Stage.ARRIVING
        come(roll)
        await asyncio.sleep(SOON_S)
        assert rows_of(journal)["A012"].stage is Stage.VERIFIED

    simulate(tmp_path, journal, story)


def test_a_list_that_is_filled_in_place_is_found_within_a_minute(
    tmp_path: Path, journal: Journal
) -> None:
    """No name comes with it, so a roll that has an empty list is walked as ever."""
    roll = write_clips(tmp_path, "A012")
    text = "".join(
        f"{hashlib.md5(data, usedforsecurity=False).hexdigest()}  {path}\n"
        for path, data in CLIPS.items()
    )
    (roll / "all.md5").touch()

    async def story(_: Landing) -> None:
        await asyncio.sleep(LONG_S)
        assert rows_of(journal)["A012"].stage is Stage.ARRIVING
        (roll / "all.md5").write_text(text)
        await asyncio.sleep(SOON_S)
        assert rows_of(journal)["A012"].stage is Stage.VERIFIED

    simulate(tmp_path, journal, story)


def test_a_file_that_comes_at_the_last_moment_of_a_walk_is_not_missed(
    tmp_path: Path, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a folder was is noted before it is listed, and counts once it was so for a while."""
    roll = write_clips(tmp_path, "A012")
    when = {"walks": 0}

    def walk(folder: Folder, path: str) -> RollScan:
        scan = scan_roll(folder, path)
        when["walks"] += 1
        if when["walks"] == 2:
            write_evidence(roll)  # after it was listed, and no event tells of it
        return scan

    monkeypatch.setattr(examine, "scan_roll", walk)

    async def story(_: Landing) -> None:
        await asyncio.sleep(2 * SOON_S)
        assert when["walks"] >= 3
        assert rows_of(journal)["A012"].stage is Stage.VERIFIED

    simulate(tmp_path, journal, story)
