"""The rolls that are kept in memory are those of the journal, whatever happened to it meanwhile."""

import json
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from sqlite3 import Connection

from hypothesis import given, settings
from hypothesis import strategies as st

from syncd.board.listing import Listing
from syncd.board.shapes import roll_json
from syncd.journal import astray, leaving, rolls
from syncd.journal.journal import Journal
from syncd.journal.kept import KeptRolls
from syncd.journal.rolls import Origin, RollRow
from syncd.journal.rows import Gone
from syncd.limits import CHANGED_ROLLS_MAX
from syncd.moments import within_calendar
from syncd.roll.stages import STAGE_ORDER, HeldCode, Stage, is_before
from tests.journal.samples import DAY, NOW, add, roll_of

NAMES = [f"A{number:03}" for number in range(6)]
STAGES = list(STAGE_ORDER)
Change = Callable[[Connection, str, int], object]


def _order(db: Connection, roll_id: str, number: int) -> None:
    needed_by = [None, NOW - 5, NOW + 5, within_calendar(10**18)][number % 4]
    rolls.set_order(db, roll_id, rank=number % 3, needed_by_utc_ms=needed_by, now_utc_ms=NOW)


def _stage(db: Connection, roll_id: str, number: int) -> None:
    rolls.set_stage(db, roll_id, STAGES[number % len(STAGES)], now_utc_ms=NOW)


def _hold(db: Connection, roll_id: str, number: int) -> None:
    code = list(HeldCode)[number % len(HeldCode)]
    rolls.hold(db, roll_id, code, f"reason {number}", None, now_utc_ms=NOW)


def _stray(db: Connection, roll_id: str, number: int) -> None:
    row = rolls.get(db, roll_id)
    assert row is not None
    if number % 2:
        astray.stray(db, row, f"gone {number}", now_utc_ms=NOW)
    else:
        astray.come_back(db, row, "back", now_utc_ms=NOW)


def _forget(db: Connection, roll_id: str, _: int) -> None:
    db.execute("DELETE FROM roll WHERE roll_id = ?", (roll_id,))


def _add(db: Connection, _: str, number: int) -> None:
    """Add a roll, in the place of one that arrives from its folder if there is such a one."""
    name = NAMES[number % len(NAMES)]
    if rolls.get(db, roll_of(name).roll_id) is None:
        add(db, name, origin=Origin.LANDING if number % 2 else Origin.PEER)


def _arrive(db: Connection, _: str, number: int) -> None:
    name = NAMES[number % len(NAMES)]
    rolls.add_arriving(db, DAY, name, source_path=f"/landing/{DAY}/{name}", now_utc_ms=NOW + number)


CHANGES: tuple[Change, ...] = (
    _order,
    _stage,
    _hold,
    _stray,
    _forget,
    lambda db, roll_id, _: rolls.release(db, roll_id, now_utc_ms=NOW),
    rolls.set_moved,
    lambda db, roll_id, n: rolls.set_expected(db, {roll_id: NOW + n if n % 2 else None}),
    lambda db, roll_id, n: rolls.set_paused(db, roll_id, bool(n % 2)),
    lambda db, roll_id, n: rolls.rename(db, roll_id, f"D{n % 3}", f"B{n % 4}"),
    lambda db, roll_id, n: leaving.set_gone(db, roll_id, [None, *Gone][n % 5]),
    lambda db, roll_id, n: rolls.set_same_as(db, roll_id, "other" if n % 2 else None),
    _add,
    _arrive,
)
changes = st.tuples(st.sampled_from(CHANGES), st.integers(0, 50))
steps = st.lists(
    st.one_of(
        st.tuples(st.just("write"), st.lists(changes, max_size=4)),
        st.tuples(st.just("roll back"), st.lists(changes, min_size=1, max_size=3)),
        st.tuples(st.just("ask"), st.integers(0, 20)),
    ),
    max_size=30,
)


class _NotKeptError(Exception):
    pass


def _make(journal: Journal, wanted: Sequence[tuple[Change, int]], *, is_kept: bool) -> None:
    """Make changes in one transaction, each to one of the rolls that are there by then."""
    with suppress(_NotKeptError), journal.write() as db:
        for change, number in wanted:
            ids = [row.roll_id for row in rolls.all_rolls(db)] or [add(db)]
            change(db, ids[number % len(ids)], number)
        if not is_kept:
            raise _NotKeptError


def _read(journal: Journal) -> list[RollRow]:
    with journal.read() as db:
        return rolls.all_rolls(db)


def _plainly(rows: Sequence[RollRow], now: int, waits: Callable[[RollRow], object]) -> str:
    """Write the list as if nothing had been kept."""
    lines = [
        roll_json(row, now_utc_ms=now, waits=waits(row))  # type: ignore[arg-type]
        for row in rows
        if row.is_listed
    ]
    return json.dumps({"rolls": lines})


@settings(deadline=None)
@given(steps)
def test_what_is_kept_is_what_would_be_read(wanted: list[tuple[str, object]]) -> None:
    """Rows, their order, and the JSON of the board, after any changes, at any time of asking."""
    peer_is_away = 0

    def waits(row: RollRow) -> dict[str, str] | None:
        may_wait = row.astray is not None or is_before(row.stage, Stage.LANDED)
        return {"code": f"{peer_is_away}"} if may_wait and peer_is_away % 3 else None

    with Journal(None, journal_id="j") as journal:
        kept, listing = KeptRolls(journal), Listing()
        for what, more in [*wanted, ("ask", 0), ("ask", 0)]:
            if what != "ask":
                _make(journal, more, is_kept=what == "write")  # type: ignore[arg-type]
                continue
            peer_is_away = more  # type: ignore[assignment]
            now = NOW + 10 * peer_is_away - 100
            rows = kept.all()
            assert list(rows) == _read(journal)
            listed = kept.listed()
            assert list(listed) == [row for row in rows if row.is_listed]
            assert listing.body(listed, now, waits) == _plainly(rows, now, waits).encode()


def test_what_has_not_changed_is_not_read_again(journal: Journal) -> None:
    """So a list of ten thousand costs what the few rolls of which something is new cost."""
    with journal.write() as db:
        first, second = add(db, "A012"), add(db, "B007")
    kept = KeptRolls(journal)
    before = kept.all()
    assert kept.all() is before

    with journal.write() as db:
        rolls.set_moved(db, second, 5)

    after = kept.all()
    assert {row.roll_id: row.moved_bytes for row in after} == {first: 0, second: 5}
    assert [row in set(map(id, before)) for row in map(id, after)].count(True) == 1


def test_more_changes_than_are_noted_one_by_one_are_not_missed(journal: Journal) -> None:
    """What is noted is bounded; beyond that everything is read."""
    kept = KeptRolls(journal)
    kept.all()

    with journal.write() as db:
        for number in range(CHANGED_ROLLS_MAX + 5):
            rolls.add_arriving(
                db, "D", f"A{number}", source_path=f"/l/A{number}", now_utc_ms=number
            )

    assert list(kept.all()) == _read(journal)


def test_a_journal_that_goes_on_in_another_file_is_followed_there(tmp_path: Path) -> None:
    """Its connection is another one then, which does not know yet who wants to hear of changes."""
    path, copy = tmp_path / "journal.sqlite", tmp_path / "copy"
    with Journal(path) as journal:
        with journal.write() as db:
            roll_id = add(db)
        kept = KeptRolls(journal)
        kept.all()
        path.unlink()

        journal.go_on_in(copy, lambda: os.rename(copy, path))
        with journal.write() as db:
            rolls.set_moved(db, roll_id, 5)

        assert [row.moved_bytes for row in kept.all()] == [5]
        with journal.write() as db:
            rolls.set_moved(db, roll_id, 6)
        assert [row.moved_bytes for row in kept.all()] == [6]


def test_nothing_of_it_is_in_the_file(tmp_path: Path) -> None:
    """Who notes changes is the open connection's; another program finds the tables as ever."""
    path = tmp_path / "journal.sqlite"
    with Journal(path) as journal:
        with journal.read() as db:
            before = db.execute("SELECT name FROM sqlite_schema").fetchall()
        KeptRolls(journal).all()
        with journal.read() as db:
            assert db.execute("SELECT name FROM sqlite_schema").fetchall() == before


def test_a_roll_that_leads_to_another_one_is_on_no_list(journal: Journal) -> None:
    """The list says what is on the storage once, also when that is found out later."""
    with journal.write() as db:
        roll_id, other = add(db, "A012"), add(db, "B007")
    kept, listing = KeptRolls(journal), Listing()

    def listed() -> list[str]:
        body = listing.body(kept.listed(), NOW, lambda _: None)
        return [each["id"] for each in json.loads(body)["rolls"]]

    assert sorted(listed()) == sorted([roll_id, other])

    with journal.write() as db:
        rolls.set_same_as(db, roll_id, other)

    assert listed() == [other]
