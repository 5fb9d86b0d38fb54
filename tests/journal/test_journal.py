"""Opening, refusing, transactions: what everything else stands on."""

import contextlib
import os
import signal
import sqlite3
import subprocess
import sys
import threading
from dataclasses import replace
from pathlib import Path

import pytest

from syncd.errors import ConfigError
from syncd.journal import connecting, parcels, rolls, schema, settings
from syncd.journal.journal import Journal, JournalError
from syncd.journal.parcels import Proof
from syncd.journal.rows import digests_to_blob
from syncd.ports import ReadLevel


def put(journal: Journal, value: str) -> None:
    """Write a word in a transaction of its own."""
    with journal.write() as db:
        settings.put(db, "word", value)


def put_and_fail(journal: Journal) -> None:
    """Write a word in a transaction that then fails."""
    with contextlib.suppress(LookupError), journal.write() as db:
        settings.put(db, "word", "half")
        raise LookupError


def word(journal: Journal) -> str | None:
    """Read it."""
    with journal.read() as db:
        return settings.get(db, "word")


def test_what_was_written_is_there_after_a_restart(tmp_path: Path) -> None:
    """A journal opened again holds what was committed, under the same journal id."""
    with Journal(tmp_path / "journal.db") as first:
        put(first, "salt")
        name = first.journal_id

    with Journal(tmp_path / "journal.db") as again:
        assert word(again) == "salt"
        assert again.journal_id == name


def test_two_journals_have_different_ids() -> None:
    """Notices of two boxes are never mistaken for each other."""
    with Journal(None) as one, Journal(None) as other:
        assert one.journal_id != other.journal_id


def test_it_is_opened_as_durable_as_sqlite_can(tmp_path: Path) -> None:
    """WAL with FULL: NORMAL loses the last commits at power loss (sqlite.org/pragma.html)."""
    with Journal(tmp_path / "journal.db") as journal, journal.read() as db:
        assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert db.execute("PRAGMA synchronous").fetchone() == (2,)
        assert db.execute("PRAGMA foreign_keys").fetchone() == (1,)


def test_a_failed_transaction_leaves_nothing(journal: Journal) -> None:
    """All of a block is kept, or nothing of it."""
    put_and_fail(journal)

    assert word(journal) is None
    put(journal, "whole")
    assert word(journal) == "whole"


def test_a_transaction_within_a_transaction_is_our_mistake(journal: Journal) -> None:
    """Nested use would commit the outer half early; the outer one is rolled back."""
    with pytest.raises(AssertionError), journal.write():
        put(journal, "inner")

    assert word(journal) is None


def test_changing_in_a_read_is_our_mistake(journal: Journal) -> None:
    """A change outside write() would escape the transaction and the subscribers."""
    with pytest.raises(AssertionError), journal.read() as db:
        settings.put(db, "word", "sly")


def test_subscribers_hear_of_commits_that_changed_something(journal: Journal) -> None:
    """Called once per such commit; not for a rollback, nor when nothing changed."""
    heard: list[str | None] = []
    unsubscribe = journal.subscribe(lambda: heard.append(word(journal)))

    put(journal, "one")
    put(journal, "one")
    put_and_fail(journal)
    put(journal, "two")
    unsubscribe()
    put(journal, "three")

    assert heard == ["one", "two"]


def test_threads_take_turns(journal: Journal) -> None:
    """Counting in four threads loses no count."""

    def count() -> None:
        for _ in range(50):
            with journal.write() as db:
                settings.put(db, "n", str(int(settings.get(db, "n") or 0) + 1))

    threads = [threading.Thread(target=count) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    with journal.read() as db:
        assert settings.get(db, "n") == "200"


def test_a_newer_journal_is_refused_and_left_as_it_is(tmp_path: Path) -> None:
    """An older syncd names the two versions and does not touch the file."""
    path = tmp_path / "journal.db"
    Journal(path).close()
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()

    with pytest.raises(ConfigError, match=r"journal\.db was written by a newer .*99") as refused:
        Journal(path)

    assert "node.state" in refused.value.remedy


def test_an_older_journal_is_backed_up_and_brought_up(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A migration runs once, on top of what is there; the old state stays beside it."""
    path = tmp_path / "journal.db"
    with Journal(path) as journal:
        put(journal, "old")
    version = len(schema.MIGRATIONS)
    added = (*schema.MIGRATIONS, ("CREATE TABLE extra (n INTEGER) STRICT",))
    monkeypatch.setattr(schema, "MIGRATIONS", added)

    for _ in range(2):
        with Journal(path) as journal, journal.read() as db:
            assert db.execute("PRAGMA user_version").fetchone() == (len(added),)
            assert db.execute("SELECT count(*) FROM extra").fetchone() == (0,)
            assert settings.get(db, "word") == "old"

    copy = sqlite3.connect(tmp_path / f"journal.db.version-{version}")
    assert copy.execute("SELECT value FROM setting WHERE key = 'word'").fetchone() == ("old",)
    copy.close()


def test_a_journal_of_the_second_version_keeps_its_proofs_without_change_times(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Their files are read back once more; nothing else of it is lost."""
    path = tmp_path / "journal.db"
    proof = Proof((), ReadLevel.DIRECT)
    with monkeypatch.context() as patched:
        patched.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:2])
        patched.setattr(schema, "INDEXES", ())  # which are of a later syncd
        with Journal(path) as journal, journal.write() as db:
            roll_id = "a" * 32
            db.execute(
                "INSERT INTO roll (roll_id, day, name, trust, origin, stage, total_bytes,"
                " file_count, rank, arrived_utc_ms, route, empty_folders)"
                " VALUES (?, '', 'A012', 'evidence', 'peer', 'moving', 12, 2, 1, 0, '', x'90')",
                (roll_id,),
            )
            db.executemany(
                "INSERT INTO file VALUES (1, ?, ?, ?, 0, x'90', ?)",
                [(0, "Clips/C001.mov", 7, "media"), (1, "A012.md5", 5, "evidence")],
            )
            db.execute(
                "INSERT INTO proof (roll_key, file_index, digests, level, proved_utc_ms)"
                " VALUES (1, 0, ?, 'direct', 0)",
                (digests_to_blob(()),),
            )

    with Journal(path) as journal, journal.write() as db:
        assert parcels.proofs(db, roll_id) == {0: proof}
        parcels.record_change_times(db, roll_id, {0: 7})
        assert parcels.proofs(db, roll_id) == {0: replace(proof, changed_ns=7)}
        media = db.execute("SELECT media_files, media_bytes FROM roll").fetchone()
        assert media == (1, 7)  # an older journal did not count them


def test_what_was_said_to_be_gone_before_both_boxes_kept_it_is_told_once_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The offload box was never told: the storage's box must not think that all is said."""
    path = tmp_path / "journal.db"
    with monkeypatch.context() as patched:
        patched.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:5])
        patched.setattr(schema, "INDEXES", ())
        with Journal(path) as journal, journal.write() as db:
            settings.put(db, "gone:" + "a" * 32, "A012 is gone")
            db.execute(
                "INSERT INTO roll (roll_id, day, name, trust, origin, stage, total_bytes,"
                " file_count, rank, arrived_utc_ms, route, empty_folders)"
                " VALUES (?, '', 'A012', 'evidence', 'peer', 'ready', 12, 2, 1, 0, '', x'90')",
                ("a" * 32,),
            )

    with Journal(path) as journal, journal.read() as db:
        assert settings.get(db, "gone:" + "a" * 32) is None
        row = rolls.get(db, "a" * 32)
        assert row is not None
        assert (row.astray, row.put_away) == (None, False)


def test_a_migration_that_fails_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The tables and the number that says so are committed together, or not at all."""
    path = tmp_path / "journal.db"
    Journal(path).close()
    version = len(schema.MIGRATIONS)
    broken = (*schema.MIGRATIONS, ("CREATE TABLE extra (n INTEGER) STRICT", "NONSENSE"))
    with monkeypatch.context() as patched:
        patched.setattr(schema, "MIGRATIONS", broken)
        with pytest.raises(ConfigError):
            Journal(path)

    with Journal(path) as journal, journal.read() as db:
        assert db.execute("PRAGMA user_version").fetchone() == (version,)
        tables = {name for (name,) in db.execute("SELECT name FROM sqlite_schema")}
        assert "extra" not in tables


@pytest.mark.parametrize("damage", [b"this is no journal at all" * 200, b"SQLite format 3\0" * 99])
def test_a_damaged_file_is_named_with_what_to_do(tmp_path: Path, damage: bytes) -> None:
    """Not silently replaced: it may hold what a person wants back."""
    path = tmp_path / "journal.db"
    path.write_bytes(damage)

    with pytest.raises(ConfigError, match=r"journal\.db is damaged") as refused:
        Journal(path)

    assert "move it aside" in refused.value.remedy
    assert path.read_bytes() == damage


def test_a_torn_page_is_found_on_opening(tmp_path: Path) -> None:
    """quick_check runs before the first use."""
    path = tmp_path / "journal.db"
    with Journal(path) as journal:
        for number in range(300):
            with journal.write() as db:
                settings.put(db, f"key{number}", "x" * 200)
    pages = bytearray(path.read_bytes())
    for page in range(2, len(pages) // 4096):
        pages[page * 4096 : page * 4096 + 64] = b"\xff" * 64
    path.write_bytes(pages)

    with pytest.raises(ConfigError, match="damaged"):
        Journal(path)


def test_a_missing_folder_is_a_configuration_error(tmp_path: Path) -> None:
    """The key to look at is named."""
    with pytest.raises(ConfigError, match="cannot be opened") as refused:
        Journal(tmp_path / "absent" / "journal.db")

    assert "node.state" in refused.value.remedy


@pytest.mark.parametrize("file_system", ["nfs4", "cifs", "9p"])
def test_a_network_file_system_is_refused(tmp_path: Path, file_system: str) -> None:
    """WAL does not work there (sqlite.org/wal.html); nothing is made."""
    with pytest.raises(ConfigError, match=file_system):
        Journal(tmp_path / "journal.db", file_system=file_system)

    assert list(tmp_path.iterdir()) == []


def test_a_journal_in_use_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two processes on one WAL can corrupt it (sqlite.org/wal.html#walresetbug)."""
    monkeypatch.setattr("syncd.journal.connecting._BUSY_TIMEOUT_S", 0.0)
    with (
        Journal(tmp_path / "journal.db"),
        pytest.raises(ConfigError, match="in use by another process"),
    ):
        Journal(tmp_path / "journal.db")


def test_a_full_disk_keeps_what_was_and_says_so(tmp_path: Path) -> None:
    """SQLITE_FULL, made real by a limit on pages, is an answer with a remedy."""
    with Journal(tmp_path / "journal.db") as journal:
        put(journal, "kept")
        with journal.read() as db:
            db.execute("PRAGMA max_page_count = 40")

        with pytest.raises(JournalError, match="full") as refused:
            put(journal, "x" * 1_000_000)

        assert refused.value.http_status == 507
        assert word(journal) == "kept"


COUNTING = """
import sys
from pathlib import Path
from syncd.journal import settings
from syncd.journal.journal import Journal
with Journal(Path(sys.argv[1])) as journal:
    for number in range(1_000_000):
        with journal.write() as db:
            settings.put(db, "a", str(number))
            settings.put(db, "b", str(number))
        print(number, flush=True)
"""


def test_kill_9_keeps_what_was_committed_and_no_half(tmp_path: Path) -> None:
    """After kill -9 the journal opens at once, with at least the last number reported."""
    path = tmp_path / "journal.db"
    writer = subprocess.Popen(
        [sys.executable, "-c", COUNTING, str(path)], stdout=subprocess.PIPE, text=True
    )
    assert writer.stdout is not None
    for _ in range(25):
        reported = int(writer.stdout.readline())
    os.kill(writer.pid, signal.SIGKILL)
    writer.communicate()

    with Journal(path) as journal, journal.read() as db:
        kept = settings.get(db, "a")
        assert kept is not None
        assert kept == settings.get(db, "b")
        assert int(kept) >= reported


def test_no_memory_for_a_migration_is_not_taken_for_a_damaged_journal() -> None:
    """SQLite rolls back by itself then; rolling back once more would say something else."""
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as db:
        with pytest.raises(MemoryError), connecting._transaction(db):
            _run_out_of_memory(db)
        assert not db.in_transaction


def _run_out_of_memory(db: sqlite3.Connection) -> None:
    db.execute("ROLLBACK")
    raise MemoryError
