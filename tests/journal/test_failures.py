"""What SQLite says, as people read it."""

import sqlite3
from pathlib import Path

import pytest

from syncd.journal import failures


def _full(path: Path) -> sqlite3.Error:
    """Return what SQLite really raises when there is no room for another page."""
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE t (b BLOB)")
    db.execute("PRAGMA max_page_count = 2")
    with pytest.raises(sqlite3.OperationalError) as raised:
        db.execute("INSERT INTO t VALUES (zeroblob(100000))")
    db.close()
    return raised.value


def test_a_full_disk_is_said_in_our_words(tmp_path: Path) -> None:
    """What is wrong with the journal's disk, and SQLite's name for it; not its raw sentence."""
    error = failures.cannot_write("journal.sqlite", _full(tmp_path / "db"))
    assert error.problem == (
        "The journal journal.sqlite cannot be written: its disk is full (SQLITE_FULL)."
    )


def test_bytes_that_are_no_journal_are_said_in_our_words(tmp_path: Path) -> None:
    """A file of something else is named as what it is not."""
    path = tmp_path / "db"
    path.write_bytes(b"Salt Meridian, camera A" * 100)
    db = sqlite3.connect(path)
    with pytest.raises(sqlite3.DatabaseError) as raised:
        db.execute("SELECT * FROM sqlite_schema")
    db.close()
    said = failures.broken("journal.sqlite", raised.value).problem
    assert "its contents are no journal (SQLITE_NOTADB)" in said
