"""Journals and records that were made are as those that a real hand-off leaves."""

import sqlite3
from collections import Counter
from pathlib import Path
from typing import Any

from tests.bench.many_rolls import CLIP_BYTES, FILES_PER_ROLL, fill
from tests.bench.staging import make_roll
from tests.boxes import Box, Pair, place_roll, wait_until

MADE = 30
TABLES = ("roll", "file", "parcel", "proof", "good_at", "history", "notice", "cursor", "also")
# Columns that must agree to the letter; of the others only whether there is a value, and of what
# kind; of digests also how long they are, which says how many there are, and by which algorithms.
EXACT = {
    *("trust", "origin", "peer", "stage", "held_code", "file_count", "rank", "rank_set_by_hand"),
    *("paused", "route", "same_as", "edition", "media_files", "media_bytes", "told_as", "gone"),
    *("kind", "level", "subscriber", "size_bytes"),
}
OF_EVIDENCE = {"published_evidence"}  # with names of files, which have the names of rolls


def shapes(box: Box) -> dict[str, Counter[tuple[object, ...]]]:
    """Return how often each shape of row is in the tables of a box's journal."""
    found: dict[str, Counter[tuple[object, ...]]] = {}
    db = sqlite3.connect(box.folder / "state" / "journal.sqlite")
    try:
        for table in TABLES:
            rows = db.execute(f"SELECT * FROM {table}")  # noqa: S608 - one of our own words
            names = [column[0] for column in rows.description]
            found[table] = Counter(
                tuple(shape(table, name, value) for name, value in zip(names, row, strict=True))
                for row in rows
            )
    finally:
        db.close()
    return found


def shape(table: str, column: str, value: object) -> object:
    """Return what must be the same of a value."""
    if column in EXACT and not (table == "file" and column == "size_bytes"):
        return value
    if isinstance(value, bytes) and column not in OF_EVIDENCE:
        return len(value)
    return type(value)


def records(pair: Pair) -> list[str]:
    """Return what lies in the storage's own folder, its rolls' ids left out."""
    below = (pair.storage / ".syncd" / "rolls").iterdir()
    return sorted(path.suffix for path in below)


def times(count: int, of_one: dict[str, Counter[tuple[object, ...]]]) -> dict[str, Counter[Any]]:
    """Return what so many rolls would have in a journal; how far a reader has come is one row."""
    return {
        table: rows if table == "cursor" else Counter({row: n * count for row, n in rows.items()})
        for table, rows in of_one.items()
    }


def test_made_rolls_are_as_real_ones_and_daemons_take_them_for_their_own(tmp_path: Path) -> None:
    """So what is measured with ten thousand of them is what it would be on set."""
    pair = Pair(tmp_path)
    for name in ("A012", "A013"):
        make_roll(tmp_path / name, CLIP_BYTES, FILES_PER_ROLL)
    with pair:
        place_roll(tmp_path / "A012", pair.landing, "A012")
        pair.wait_ready("A012")
        wait_until(lambda: len(records(pair)) == 2, 10, "it is not noted who was told")
    real = shapes(pair.offload), shapes(pair.processing)

    fill(pair, MADE)

    assert shapes(pair.offload) == times(MADE + 1, real[0])
    assert shapes(pair.processing) == times(MADE + 1, real[1])
    assert records(pair) == sorted(["", ".told"] * (MADE + 1))
    with pair:
        place_roll(tmp_path / "A013", pair.landing, "A013")
        pair.wait_ready("A013")
        known = pair.offload.rolls(), pair.processing.rolls()
        checks = pair.processing.api("status")["checks"]
    assert [len(rolls) for rolls in known] == [MADE + 2, MADE + 2]
    assert {roll["stage"] for rolls in known for roll in rolls.values()} == {"ready"}
    assert {str(roll["waits"]) for rolls in known for roll in rolls.values()} == {"None"}
    assert all(check["ok"] for check in checks), checks
