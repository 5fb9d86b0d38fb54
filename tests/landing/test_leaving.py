"""Rolls whose folder is gone from a landing that is there: which leave, and which are held."""

import asyncio
import time
from dataclasses import replace
from pathlib import Path

import pytest

from syncd.journal import history, rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import HeldNote, Origin, RollRow
from syncd.journal.rows import Gone
from syncd.landing import landing as landing_module
from syncd.landing.landing import Landing
from syncd.landing.scan import FoundRoll, find_rolls
from syncd.limits import RESCAN_S
from syncd.ports import Folder
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.stages import HeldCode, Stage
from tests.faults.sim_journal import SimJournal
from tests.landing.samples import DAY, write_clips, write_evidence
from tests.landing.test_landing import rows_of, simulate

GONE_S = 8.0  # until two listings have missed a folder


def row_now(journal: Journal) -> RollRow:
    """Return the one roll that there is."""
    (row,) = rows_of(journal).values()
    return row


def held_now(journal: Journal) -> HeldNote:
    """Return why it is held."""
    held = row_now(journal).held
    assert held is not None
    return held


def notes_now(journal: Journal) -> str:
    """Return its history in one text."""
    with journal.read() as db:
        return "\n".join(line.note for line in history.read(db, row_now(journal).roll_id))


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Make a landing with one roll that is complete by its evidence."""
    write_evidence(write_clips(tmp_path / "landing", "A012"))
    return tmp_path / "landing"


async def take_away(landing: Landing, root: Path) -> None:
    """Move the roll's folder off the landing, and have that missed."""
    (root / DAY / "A012").rename(root.parent / "A012")
    landing.touched(f"{DAY}/A012")
    await asyncio.sleep(GONE_S)


async def put_back(landing: Landing, root: Path) -> None:
    """Move it back, and have it found."""
    (root / DAY).mkdir(exist_ok=True)
    (root.parent / "A012").rename(root / DAY / "A012")
    landing.touched(f"{DAY}/A012")
    await asyncio.sleep(GONE_S)


@pytest.mark.parametrize("code", [HeldCode.NAME_UNSAFE, HeldCode.EVIDENCE_MISMATCH])
def test_a_roll_that_was_to_be_replaced_leaves_and_comes_back_as_itself(
    root: Path, journal: Journal, code: HeldCode
) -> None:
    """If nothing of it was sent; with its history, and not forgotten by a start either."""

    async def leaves(landing: Landing) -> None:
        row = row_now(journal)
        with journal.write() as db:
            rolls.hold(db, row.roll_id, code, "process-1: no", None, now_utc_ms=1)
        await take_away(landing, root)
        gone = row_now(journal)
        assert (gone.roll_id, gone.held) == (row.roll_id, None)
        assert gone.gone is Gone.ENDING, "whoever turned it away is told"
        assert not gone.is_listed
        assert f"its folder {root / DAY / 'A012'} is gone" in notes_now(journal)

    async def stays_away(_landing: Landing) -> None:
        await asyncio.sleep(3 * GONE_S)
        assert not row_now(journal).is_listed

    async def comes_back(landing: Landing) -> None:
        before = row_now(journal)
        await put_back(landing, root)
        row = row_now(journal)
        assert (row.roll_id, row.gone, row.stage) == (before.roll_id, None, Stage.VERIFIED)
        assert row.arrived_utc_ms == before.arrived_utc_ms
        assert "its folder is there again" in notes_now(journal)

    for story in (leaves, stays_away, comes_back):
        simulate(root, journal, story)


@pytest.mark.parametrize("code", [None, HeldCode.STORAGE_FULL, HeldCode.NAME_TAKEN])
def test_a_good_roll_that_goes_before_it_was_handed_over_is_held_for_a_person_to_see(
    root: Path, journal: Journal, code: HeldCode | None
) -> None:
    """Nobody was told to remove it: that may be a mistake, and its card in use again."""

    async def story(landing: Landing) -> None:
        row = row_now(journal)
        if code is not None:
            with journal.write() as db:
                rolls.hold(db, row.roll_id, code, "process-1: no", None, now_utc_ms=1)
        await take_away(landing, root)
        assert held_now(journal).code is HeldCode.SOURCE_UNREADABLE
        assert f"Its folder {root / DAY / 'A012'} is gone from the landing." in (
            held_now(journal).message
        )
        assert row_now(journal).is_listed
        await put_back(landing, root)
        assert (row_now(journal).gone, row_now(journal).held) == (None, None)

    simulate(root, journal, story)


def test_a_roll_that_is_renamed_before_anything_was_sent_goes_on_under_its_new_name(
    root: Path, journal: Journal
) -> None:
    """It is the same roll; nobody has to wait for a look that comes within the hour."""

    async def story(landing: Landing) -> None:
        before = row_now(journal)
        (root / DAY / "A012").rename(root / DAY / "A013")
        for name in ("A012", "A013"):
            landing.touched(f"{DAY}/{name}")
        await asyncio.sleep(GONE_S)
        row = row_now(journal)
        assert (row.roll_id, row.name, row.held) == (before.roll_id, "A013", None)
        assert row.source_path == str(root / DAY / "A013")
        assert row.is_listed

    simulate(root, journal, story)


def test_a_roll_that_lies_in_another_landing_too_goes_on_from_there(
    tmp_path: Path, root: Path, journal: Journal
) -> None:
    """What one landing lacks is not gone while another one is known to have it."""
    second = tmp_path / "second"
    write_evidence(write_clips(second, "A012"))

    async def nothing(_landing: Landing) -> None:
        pass

    async def story(landing: Landing) -> None:
        await take_away(landing, root)
        row = row_now(journal)
        assert (row.source_path, row.held, row.gone) == (str(second / DAY / "A012"), None, None)

    for path in (root, second):
        simulate(path, journal, nothing)
    simulate(root, journal, story)


def test_a_roll_of_which_bytes_were_sent_is_held_in_true_words(
    root: Path, journal: Journal
) -> None:
    """The landing is there, so nobody is told to connect it; put back, the roll goes on."""

    async def story(landing: Landing) -> None:
        with journal.write() as db:
            roll_id = row_now(journal).roll_id
            rolls.set_stage(db, roll_id, Stage.MOVING, now_utc_ms=1)
            code = HeldCode.EVIDENCE_MISMATCH
            rolls.hold(db, roll_id, code, "Offload it again.", None, now_utc_ms=1)
        await take_away(landing, root)
        held = held_now(journal)
        assert held.code is HeldCode.SOURCE_UNREADABLE
        assert f"Its folder {root / DAY / 'A012'} is gone from the landing." in held.message
        assert "Put it back, or offload it again" in held.message
        assert "onnect" not in held.message
        await put_back(landing, root)
        row = row_now(journal)
        assert (row.gone, row.held, row.stage) == (None, None, Stage.MOVING)

    simulate(root, journal, story)


def test_a_landing_that_is_empty_at_the_start_makes_no_roll_leave(
    root: Path, journal: Journal
) -> None:
    """It may be the mount point of a disk that is not connected; a person can tell, and end it."""

    async def nothing(_landing: Landing) -> None:
        pass

    async def story(_landing: Landing) -> None:
        await asyncio.sleep(GONE_S)
        held = held_now(journal)
        assert row_now(journal).gone is Gone.MISSED
        assert "is not on the landing. Connect the disk that it is on" in held.message
        assert "`syncd go` the roll" in held.message

    simulate(root, journal, nothing)
    root.rename(root.parent / "taken out")
    root.mkdir()
    simulate(root, journal, story)
    root.rmdir()
    (root.parent / "taken out").rename(root)
    simulate(root, journal, nothing)
    assert (row_now(journal).gone, row_now(journal).held) == (None, None)


def test_a_disk_below_the_landing_that_comes_off_makes_no_roll_leave(
    root: Path, journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The landing is the one that it was; what is gone from it lay on another file system."""

    def mounted(folder: Folder, pattern: str) -> list[FoundRoll]:
        found = find_rolls(folder, pattern)
        return [replace(each, mark=(7, *each.mark[1:])) for each in found]

    async def story(landing: Landing) -> None:
        await take_away(landing, root)
        assert row_now(journal).gone is Gone.MISSED
        assert row_now(journal).is_listed

    monkeypatch.setattr(landing_module, "find_rolls", mounted)
    simulate(root, journal, story)


def test_other_content_in_the_folder_of_a_missed_roll_takes_its_place(
    root: Path, journal: Journal
) -> None:
    """Offloaded again with other bytes: the older one rests, and is not waited for."""

    async def story(landing: Landing) -> None:
        before = row_now(journal)
        with journal.write() as db:
            rolls.set_stage(db, before.roll_id, Stage.MOVING, now_utc_ms=1)
        await take_away(landing, root)
        write_evidence(write_clips(root, "A012", {"CLIPS/A012C001.mov": b"again" * 100}))
        landing.touched(f"{DAY}/A012")
        await asyncio.sleep(GONE_S)
        with journal.read() as db:
            older, newer = rolls.get(db, before.roll_id), rows_of(journal)["A012"]
            listed = [row for row in rolls.all_rolls(db) if row.is_listed]
        assert older is not None
        assert older.same_as == listed[0].roll_id
        assert (len(listed), older.gone, older.held) == (1, None, None), newer

    simulate(root, journal, story)


def test_a_roll_is_missed_although_the_journal_failed_as_its_folder_was(tmp_path: Path) -> None:
    """What could not be written down is not taken for done: the next listing makes up for it."""
    root = tmp_path / "landing"
    for name in ("A012", "B007"):
        write_evidence(write_clips(root, name, {f"{name}.mov": name.encode()}))

    async def story(_: Landing) -> None:
        for name in ("A012", "B007"):
            (root / DAY / name).rename(tmp_path / name)
        journal.fails_left = 2
        await asyncio.sleep(RESCAN_S + 3 * GONE_S)
        assert journal.fails_left == 0, "it was met"
        assert [row.gone for row in rows_of(journal).values()] == [Gone.MISSED] * 2

    with SimJournal(None, journal_id="j") as journal:
        simulate(root, journal, story)


def test_thousands_of_folders_that_are_gone_at_a_start_are_missed_in_no_time(
    tmp_path: Path, journal: Journal
) -> None:
    """A landing is cleared after each shoot, and the journal remembers: they are missed anew."""
    count = 5_000  # compared each with each they took four seconds of a core; now a fifth of one
    with journal.write() as db:
        for number in range(count):
            name = f"A{number:05}"
            rolls.add_roll(
                db,
                Inventory(DAY, name, (FileEntry(f"{name}.mov", 5, 1),)),
                origin=Origin.LANDING,
                peer=None,
                stage=Stage.READY,
                source_path=f"{tmp_path}/{DAY}/{name}",
                now_utc_ms=number,
            )
    took_s: list[float] = []

    async def story(landing: Landing) -> None:
        assert len(landing._rolls) == count
        began_s = time.process_time()
        await asyncio.sleep(GONE_S)
        took_s.append(time.process_time() - began_s)
        assert not landing._rolls

    simulate(tmp_path, journal, story)
    assert took_s[0] < 1.5
