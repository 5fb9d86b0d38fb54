"""A roll's history has an end, however much becomes of the roll."""

from syncd.journal import history, rolls
from syncd.journal.journal import Connection, Journal
from syncd.limits import HISTORY_FIRST_LINES, HISTORY_LAST_LINES, HISTORY_LINES_MAX
from syncd.roll.stages import HeldCode, Stage
from tests.journal.samples import NOW, add

TIMES = 4000


def _fill(db: Connection, roll_id: str, when: str) -> int:
    """Note more than a history may have."""
    for number in range(HISTORY_LINES_MAX + 1):
        rolls.note(db, roll_id, f"{when} {number}", now_utc_ms=NOW)
    return HISTORY_LINES_MAX + 1


def test_a_roll_that_is_held_without_end_keeps_its_first_and_last_lines(journal: Journal) -> None:
    """And says how many are left out between them."""
    with journal.write() as db:
        roll_id = add(db)
        for number in range(TIMES):
            code = HeldCode.STORAGE_ERROR
            rolls.hold(db, roll_id, code, f"trouble {number}", None, now_utc_ms=NOW + number)

        lines = history.read(db, roll_id)

    notes = [line.note for line in lines]
    assert len(lines) <= HISTORY_LINES_MAX
    assert lines[0].stage is Stage.VERIFIED
    first = [f"storage-error: trouble {n}" for n in range(HISTORY_FIRST_LINES - 1)]
    assert notes[1:HISTORY_FIRST_LINES] == first
    last = range(TIMES - HISTORY_LAST_LINES, TIMES)
    assert notes[-HISTORY_LAST_LINES:] == [f"storage-error: trouble {n}" for n in last]
    (told,) = [note for note in notes if note.startswith("… lines left out here: ")]
    assert len(lines) - 1 + int(told.rpartition(" ")[2]) == 1 + TIMES


def test_the_first_line_of_each_stage_is_never_left_out(journal: Journal) -> None:
    """Neither when a roll became ready, nor as what it was published, nor what was claimed."""
    with journal.write() as db:
        roll_id = add(db)
        count = _fill(db, roll_id, "before")
        for stage in (Stage.MOVING, Stage.LANDED, Stage.READY, Stage.DAILIES, Stage.FETCHED):
            rolls.set_stage(db, roll_id, stage, now_utc_ms=NOW, note=f"now {stage}")
            count += _fill(db, roll_id, stage)

        kept = [(line.stage, line.note) for line in history.read(db, roll_id)]

    assert count > 5 * HISTORY_LINES_MAX
    assert len(kept) <= HISTORY_LINES_MAX
    for stage in (Stage.MOVING, Stage.LANDED, Stage.READY, Stage.DAILIES, Stage.FETCHED):
        assert (stage, f"now {stage}") in kept


def test_which_names_a_roll_had_is_never_left_out(journal: Journal) -> None:
    """By that the landing knows which it has tried: two folders must not take turns."""
    with journal.write() as db:
        roll_id = add(db)
        _fill(db, roll_id, "before")
        rolls.note(db, roll_id, "goes on as 2026-03-14_D12/B007, from /landing", now_utc_ms=NOW)
        _fill(db, roll_id, "after")

        notes = [line.note for line in history.read(db, roll_id)]

    assert "goes on as 2026-03-14_D12/B007, from /landing" in notes
