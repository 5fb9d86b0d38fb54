"""What is asked every few seconds reads what it is about, and finds what reading all would find."""

from collections.abc import Callable
from pathlib import Path
from sqlite3 import Connection

import pytest

from syncd.journal import also, leaving, looks, rolls, schema
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin
from syncd.roll.stages import STAGE_ORDER, HeldCode, Stage, is_before
from tests.journal.samples import NOW, add, roll_of

Look = Callable[[Connection], object]
LOOKS: dict[str, Look] = {
    "unfinished of a landing": lambda db: rolls.unfinished(db, Origin.LANDING),
    "unfinished of peers": lambda db: rolls.unfinished(db, Origin.PEER),
    "held": lambda db: rolls.held_for(db, [HeldCode.READ_BACK_MISMATCH], Origin.PEER),
    "ids by stage": lambda db: looks.ids_of(db, Origin.PEER, [Stage.READY]),
    "put away": lambda db: looks.put_away(db, Origin.PEER),
    "under way": looks.under_way,
    "least rank": lambda db: looks.least_rank(db, but="x"),
    "arriving": looks.arriving,
    "from a folder": lambda db: looks.from_sources(db, ["/landing/x"]),
    "one by id": lambda db: rolls.get(db, "x"),
    "by name": lambda db: rolls.find(db, "A012"),
    "by day and name": lambda db: rolls.find(db, "D12/A012"),
    "by the start of an id": lambda db: rolls.find(db, "0123456789"),
    "gone, to be told": leaving.to_tell,
    "names, to be told": also.to_tell,
}


@pytest.mark.parametrize("look", LOOKS.values(), ids=LOOKS.keys())
def test_no_look_reads_all_rolls(journal: Journal, look: Look) -> None:
    """With ten thousand of them in the journal, each takes as long as with ten."""
    asked: list[str] = []
    with journal.read() as db:
        db.set_trace_callback(asked.append)
        look(db)
        db.set_trace_callback(None)
        plans = [
            detail
            for statement in asked
            if statement.startswith("SELECT")
            for *_, detail in db.execute(f"EXPLAIN QUERY PLAN {statement}")
        ]
    assert any("roll" in plan for plan in plans), "it was asked about rolls"
    read = [plan for plan in plans if plan.startswith("SCAN") and "json_each" not in plan]
    assert [plan for plan in read if plan != "SCAN also USING INDEX also_untold"] == []


def test_looks_find_what_reading_all_would_find(journal: Journal) -> None:
    """Whatever stage, origin and rank a roll has."""
    with journal.write() as db:
        for number, (stage, origin) in enumerate((s, o) for s in STAGE_ORDER for o in Origin):
            roll_id = add(db, f"A{number:03}", stage=stage, origin=origin, rank=200 - number)
            if number % 3 == 0:
                rolls.hold(db, roll_id, HeldCode.SOURCE_CHANGED, "x", None, now_utc_ms=NOW)
        rows = rolls.all_rolls(db)
        open_rows = [row for row in rows if is_before(row.stage, Stage.LANDED)]

        assert looks.all_ids(db) == {row.roll_id for row in rows}
        assert looks.arriving(db) == [row for row in rows if row.stage is Stage.ARRIVING]
        first, second = rows[3:5]
        sources = [f"{first.source_path}", f"{second.source_path}", "/landing/other"]
        assert looks.from_sources(db, sources) == [first, second]
        rolls.set_published(db, first.roll_id, "D/A")
        assert looks.published_paths(db) == {"D/A"}
        for origin in Origin:
            wanted = [r.roll_id for r in rows if r.origin is origin and r.stage is Stage.READY]
            assert looks.ids_of(db, origin, [Stage.READY]) == wanted
        held = [row for row in open_rows if row.held is not None]
        assert looks.under_way(db) == (len(open_rows), len(held))
        first, second = open_rows[:2]
        assert looks.least_rank(db, but=first.roll_id) == second.rank
        assert looks.least_rank(db, but="x") == first.rank


def test_a_box_without_rolls_under_way_has_no_least_rank(journal: Journal) -> None:
    """Whoever rushes the only roll leaves its rank as it is."""
    with journal.write() as db:
        only = add(db, "A012")
        add(db, "B007", stage=Stage.READY)
        assert looks.least_rank(db, but=only) is None


@pytest.mark.parametrize("text", ["A012", "2026-03-14_D12/A012", "id", "start"])
def test_a_roll_is_found_by_whatever_names_it(journal: Journal, text: str) -> None:
    """Its name, its day and name, its id, and the start of that; and nothing else is."""
    with journal.write() as db:
        roll_id = add(db, "A012")
        add(db, "A0123")
        add(db, "2026-03-14_D12")
        text = {"id": roll_id, "start": roll_id[:8]}.get(text, text)
        assert [row.roll_id for row in rolls.find(db, text)] == [roll_id]


def test_the_start_of_an_id_may_end_with_any_letter(journal: Journal) -> None:
    """An arriving roll's id has the path of its folder in it, in whatever language."""
    with journal.write() as db:
        ids = [
            rolls.add_arriving(db, "D", name, source_path=f"/l/{name}", now_utc_ms=NOW)
            for name in ("A", "Aß\U0010ffff", "Aß", "B")
        ]
        assert {row.roll_id for row in rolls.find(db, "arriving:/l/A")} == set(ids[:1])
        assert {row.roll_id for row in rolls.find(db, "arriving:/l/Aß")} == {ids[2]}
        assert {row.roll_id for row in rolls.find(db, "arriving:/l/")} == set(ids)
        assert {row.roll_id for row in rolls.find(db, "arriving:/")} == set(ids)


def test_a_journal_without_these_indexes_gets_them_when_it_is_opened(tmp_path: Path) -> None:
    """One of an older syncd is as quick, and is of no newer version for it: that one opens it."""
    path = tmp_path / "journal.sqlite"
    names = {statement.split()[5] for statement in schema.INDEXES}
    with Journal(path) as journal, journal.write() as db:
        add(db)
        for name in names:
            db.execute(f"DROP INDEX {name}")

    with Journal(path) as journal, journal.read() as db:
        there = {name for (name,) in db.execute("SELECT name FROM sqlite_schema")}
        assert names <= there
        assert db.execute("PRAGMA user_version").fetchone() == (len(schema.MIGRATIONS),)
        assert [row.roll_id for row in rolls.unfinished(db, Origin.LANDING)] == [roll_of().roll_id]
