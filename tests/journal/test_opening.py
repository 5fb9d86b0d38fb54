"""A journal that was cut, overwritten, lost or exchanged: said, kept aside, begun anew."""

import contextlib
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from syncd.edges.disk import RealDisk
from syncd.errors import ConfigError
from syncd.journal import connecting, notices, rolls
from syncd.journal import settings as words
from syncd.journal.journal import Journal
from syncd.journal.opening import BEGAN_NAME, NAME, notes_in, open_journal
from syncd.journal.rolls import Origin
from syncd.ports import Folder
from syncd.roll.stages import Stage
from tests.journal.samples import roll_of

NOBODY = 65534
OWN, OTHER = "sha256:" + 64 * "1", "sha256:" + 64 * "2"
NOW = 1_773_507_600_000  # 2026-03-14T17:00:00Z
STAMP = "20260314T170000Z"


class Place:
    """A state folder with a journal that has worked: one roll, under way."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.file = path / NAME
        self.wal = path / f"{NAME}-wal"
        self.disk = RealDisk()
        self.folder: Folder = self.disk.open_folder(str(path))

    def open(self, box: str = OWN, **more: str) -> Journal:
        """Open the journal as a start of the daemon does."""
        return open_journal(self.path, self.folder, box=box, now_utc_ms=NOW, **more)

    def work(self, journal: Journal) -> None:
        """Let a roll be journalled."""
        with journal.write() as db:
            rolls.add_roll(
                db,
                roll_of(file_count=40),
                origin=Origin.PEER,
                peer="offload-1",
                stage=Stage.MOVING,
                now_utc_ms=NOW,
            )

    def crash(self, target: Path) -> "Place":
        """Copy what a kill -9 would leave, from a journal that is open, to another place."""
        target.mkdir(exist_ok=True)
        for name in (NAME, f"{NAME}-wal", BEGAN_NAME):
            shutil.copy(self.path / name, target / name)
        return Place(target)

    def kept(self) -> list[str]:
        """Return what lies beside the journal, without notes."""
        names = (NAME, f"{NAME}-wal", f"{NAME}-shm", BEGAN_NAME)
        found = sorted(path.name for path in self.path.iterdir() if path.name not in names)
        return [name for name in found if not name.endswith(".txt")]

    def notes(self) -> str:
        """Return all notes about mishaps."""
        return "".join((self.path / name).read_text() for name in notes_in(self.folder))

    def close(self) -> None:
        """Let go of the folder."""
        self.folder.close()
        self.disk.close()


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Place]:
    """Give a state folder whose journal has a roll and was closed."""
    (tmp_path / "state").mkdir()
    place = Place(tmp_path / "state")
    with place.open(journal_id="first") as journal:
        place.work(journal)
    yield place
    place.close()


def place_word(journal: Journal, word: str) -> None:
    """Write something that only the -wal file has."""
    with journal.write() as db:
        words.put(db, "late", word)


def is_known(journal: Journal) -> bool:
    """Tell whether the roll is in a journal."""
    with journal.read() as db:
        return len(rolls.all_rolls(db)) == 1


def test_a_journal_that_is_well_is_opened_and_nothing_is_said(place: Place) -> None:
    """No note, nothing aside, the same roll."""
    with place.open() as journal:
        assert is_known(journal)
        assert journal.journal_id == "first"

    assert place.kept() == []
    assert place.notes() == ""


def test_a_box_that_never_worked_begins_without_a_word(tmp_path: Path) -> None:
    """A first start is no loss."""
    place = Place(tmp_path)
    place.open().close()

    assert place.notes() == ""
    place.close()


def _cut(place: Place) -> None:
    os.truncate(place.file, place.file.stat().st_size // 2 + 100)


def _rubbish(place: Place) -> None:
    place.file.write_bytes(b"\x5a\xa5 no journal " * 4000)


def _header(place: Place) -> None:
    with place.file.open("r+b") as file:
        file.write(b"\0" * 100)


def _empty(place: Place) -> None:
    os.truncate(place.file, 0)


def _version(place: Place) -> None:
    with place.file.open("r+b") as file:
        file.seek(60)
        file.write(b"\x7f\xff\xff\xff")


def _folder(place: Place) -> None:
    place.file.unlink()
    place.file.mkdir()
    (place.file / "inside").write_text("kept")


def _foreign(place: Place) -> None:
    place.file.unlink()
    with sqlite3.connect(place.file) as db:
        db.execute("CREATE TABLE somebody_elses (n INTEGER)")
    db.close()


def _stage(place: Place) -> None:
    with sqlite3.connect(place.file) as db:
        db.execute("UPDATE roll SET stage = 'mooving'")
    db.close()


def _size(place: Place) -> None:
    with sqlite3.connect(place.file) as db:
        db.execute("UPDATE file SET size_bytes = size_bytes + 1 WHERE file_index = 7")
    db.close()


@pytest.mark.parametrize(
    "damage", [_cut, _rubbish, _header, _empty, _version, _folder, _foreign, _stage, _size]
)
def test_a_broken_journal_is_kept_and_a_new_one_begun(
    place: Place, damage: Callable[[Place], None], caplog: pytest.LogCaptureFixture
) -> None:
    """Said on stderr, in the events and in a note; the broken file lies aside, with the time."""
    damage(place)
    before = place.file.read_bytes() if place.file.is_file() else b""

    with place.open() as journal:
        assert not is_known(journal)
        assert journal.journal_id != "first"
        with journal.read() as db:
            (event,) = notices.after(db, 0, kinds=["journal"])

    kept = place.path / f"{NAME}.broken-{STAMP}"
    assert kept.name in place.kept()
    assert (kept / "inside").exists() if kept.is_dir() else kept.read_bytes() == before
    assert str(place.file) in event.body["note"]
    assert kept.name in place.notes()
    assert "What cannot be rebuilt" in caplog.text


def test_a_lost_journal_is_missed(place: Place) -> None:
    """A box that has worked before says that its journal is gone, and begins a new one."""
    place.file.unlink()

    with place.open() as journal:
        assert not is_known(journal)

    assert "is gone, and this box has worked before" in place.notes()


def test_a_new_journal_numbers_its_events_above_all_that_the_lost_one_gave(place: Place) -> None:
    """So a reader that comes back with a number of the lost one is told to begin anew."""
    with place.open() as journal, journal.read() as db:
        before = notices.last_seq(db)
    place.file.unlink()

    with place.open() as journal, journal.read() as db:
        assert notices.oldest_seq(db) - 1 > before
        assert notices.total(db) == 1


def test_a_lost_journal_leaves_its_wal_aside(place: Place, tmp_path: Path) -> None:
    """Else SQLite would play what is left of the old one into the new one."""
    with place.open() as journal:
        place_word(journal, "word")
        crashed = place.crash(tmp_path / "crashed")
    crashed.file.unlink()

    with crashed.open() as journal, journal.read() as db:
        assert words.get(db, "late") is None

    assert crashed.kept() == [f"{NAME}.lost-{STAMP}-wal"]
    crashed.close()


def test_a_missing_wal_is_said(place: Place, tmp_path: Path) -> None:
    """What was written last is gone; the rest is gone on with."""
    with place.open() as journal:
        place_word(journal, "word")
        crashed = place.crash(tmp_path / "crashed")
    crashed.wal.unlink()

    with crashed.open() as journal:
        assert is_known(journal)
        assert journal.journal_id == "first"

    assert "-wal file" in crashed.notes()
    crashed.close()


def test_the_wal_of_another_journal_is_not_played_in(place: Place, tmp_path: Path) -> None:
    """It is kept aside, and the journal is what it was."""
    (tmp_path / "other").mkdir()
    other = Place(tmp_path / "other")
    with place.open() as own, other.open() as foreign:
        crashed = place.crash(tmp_path / "crashed")
        other.work(foreign)
        shutil.copy(other.wal, crashed.wal)
        assert is_known(own)

    with crashed.open() as journal:
        assert journal.journal_id == "first"

    assert f"{NAME}.foreign-{STAMP}-wal" in crashed.kept()
    assert "another journal" in crashed.notes()
    crashed.close()
    other.close()


def test_an_older_copy_put_under_a_newer_wal_is_not_mixed_with_it(
    place: Place, tmp_path: Path
) -> None:
    """Who puts back last week's copy and leaves today's -wal file gets last week's journal."""
    older = place.path / "older"
    shutil.copy(place.file, older)
    with place.open() as journal:
        place_word(journal, "today")
        crashed = place.crash(tmp_path / "crashed")
    shutil.copy(older, crashed.file)

    with crashed.open() as journal, journal.read() as db:
        assert words.get(db, "late") is None
        assert len(rolls.all_rolls(db)) == 1

    assert f"{NAME}.foreign-{STAMP}-wal" in crashed.kept()
    crashed.close()


@pytest.fixture
def others(tmp_path: Path) -> Iterator[Place]:
    """Give another box's state folder, closed, with no roll."""
    (tmp_path / "others").mkdir()
    others = Place(tmp_path / "others")
    others.open(OTHER, journal_id="others").close()
    yield others
    others.close()


def test_another_boxs_journal_is_kept_aside_and_not_believed(place: Place, others: Place) -> None:
    """Put into a stopped box's state folder it is told by the key of its box, whole as it is."""
    foreign = others.file.read_bytes()
    shutil.copy(others.file, place.file)

    with place.open() as journal:
        assert journal.journal_id != "others"
    with place.open() as journal:  # and once more: it is this box's own now
        assert journal.journal_id != "others"

    assert (place.path / f"{NAME}.foreign-{STAMP}").read_bytes() == foreign
    assert len(notes_in(place.folder)) == 1
    for word in (str(place.file), "belongs to another box", OTHER, OWN, place.kept()[0]):
        assert word in place.notes()


def test_another_boxs_journal_is_told_in_an_empty_state_folder_too(
    others: Place, tmp_path: Path
) -> None:
    """A new box has no journal of its own to compare with; its key is enough."""
    (tmp_path / "fresh").mkdir()
    fresh = Place(tmp_path / "fresh")
    shutil.copy(others.file, fresh.file)

    with fresh.open() as journal:
        assert journal.journal_id != "others"

    assert f"{NAME}.foreign-{STAMP}" in fresh.kept()
    fresh.close()


def test_another_boxs_journal_under_the_own_wal_is_kept_with_it(
    place: Place, others: Place, tmp_path: Path
) -> None:
    """A -wal file that does not fit must not hide whose the file is."""
    with place.open() as journal:
        place_word(journal, "word")
        crashed = place.crash(tmp_path / "crashed")
    shutil.copy(others.file, crashed.file)

    with crashed.open() as journal:
        assert journal.journal_id not in {"first", "others"}

    for name in (f"{NAME}.foreign-{STAMP}-2", f"{NAME}.foreign-{STAMP}-wal"):
        assert name in crashed.kept()
        assert name in crashed.notes()
    crashed.close()


def test_a_box_with_new_keys_keeps_its_own_journal_and_says_what_to_do(
    place: Place, caplog: pytest.LogCaptureFixture
) -> None:
    """Keys may be lost, or expire: that costs no rank, pause or history."""
    with place.open(OTHER) as journal:
        assert is_known(journal)
    assert "If you have the old ones, stop syncd and put them back" in caplog.text
    caplog.clear()
    with place.open(OTHER) as journal:
        assert is_known(journal)

    assert caplog.text == ""
    assert place.kept() == []


def test_a_journal_that_names_no_box_yet_is_given_to_the_one_that_opens_it(
    place: Place, others: Place
) -> None:
    """A syncd of before wrote neither that, nor its journal's name beside it."""
    with place.open() as journal, journal.write() as db:
        db.execute("DELETE FROM setting WHERE key = ?", (words.BOX_KEY,))
    (place.path / BEGAN_NAME).write_text("syncd made its journal here.\n")

    with place.open() as journal:
        assert is_known(journal)
    shutil.copy(place.file, others.file)
    with others.open(OTHER) as journal:
        assert not is_known(journal)

    assert place.notes() == ""
    assert OWN in others.notes()


def test_after_kill_9_nothing_is_said_and_nothing_missing(place: Place, tmp_path: Path) -> None:
    """A -wal file beside the journal is the ordinary trace of a kill."""
    with place.open() as journal:
        place_word(journal, "word")
        crashed = place.crash(tmp_path / "crashed")

    with crashed.open() as journal, journal.read() as db:
        assert words.get(db, "late") == "word"

    assert crashed.notes() == ""
    crashed.close()


def test_a_newer_journal_is_refused_and_not_one_byte_of_it_changed(place: Place) -> None:
    """An older program says so kindly; it neither opens it for writing nor moves it."""
    with sqlite3.connect(place.file) as db:
        db.execute("PRAGMA user_version = 99")
    db.close()
    before = place.file.read_bytes()

    with pytest.raises(ConfigError, match=r"newer syncd \(version 99.*left as it is") as refused:
        place.open()

    assert refused.value.exit_code == 78
    assert place.file.read_bytes() == before
    assert place.kept() == []


@contextlib.contextmanager
def an_ordinary_user() -> Iterator[None]:
    """Lay root's rights down for a moment, if the tests have them."""
    is_root = os.geteuid() == 0
    if is_root:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if is_root:
            os.seteuid(0)


@pytest.mark.parametrize("mode", [0o000, 0o444])
def test_a_journal_that_may_not_be_used_is_not_broken(mode: int) -> None:
    """Wrong permissions are a person's to mend: a clear error, exit 78, nothing moved."""
    with tempfile.TemporaryDirectory(dir="/tmp") as folder, contextlib.ExitStack() as stack:
        place = Place(Path(folder))
        stack.callback(place.close)
        with place.open() as journal:
            place.work(journal)
        place.path.chmod(0o777)
        place.file.chmod(mode)

        with an_ordinary_user(), pytest.raises(ConfigError, match="cannot be opened") as refused:
            place.open()

        assert refused.value.exit_code == 78
        assert "Nothing was moved or changed" in refused.value.remedy
        assert place.kept() == []
        place.file.chmod(0o644)
        with place.open() as journal:
            assert is_known(journal)


def test_a_journal_in_use_is_not_broken(place: Place, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another process has it open: said, and nothing moved."""
    monkeypatch.setattr("syncd.journal.health.BUSY_TIMEOUT_S", 0.0)
    with place.open(), pytest.raises(ConfigError, match="in use by another process"):
        place.open()

    assert place.kept() == []


def _check_opens(place: Place) -> None:
    """Open once more: the roll is there, or the old file lies aside and is spoken of."""
    with place.open() as journal:
        known = is_known(journal)
        if known:
            with journal.read() as db:
                (row,) = rolls.all_rolls(db)
                assert rolls.load_inventory(db, row.roll_id).roll_id == row.roll_id
    said = place.notes()
    assert known or (place.kept() and said), "a journal was begun anew in silence"


@given(part=st.floats(0, 1), data=st.data())
@settings(
    max_examples=60,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
def test_any_cut_or_garbled_stretch_ends_in_a_sound_journal(
    place: Place, tmp_path_factory: pytest.TempPathFactory, part: float, data: st.DataObject
) -> None:
    """Whatever bytes are wrong: an intact journal or a new one and the old aside, never a crash."""
    target = tmp_path_factory.mktemp("hurt")
    with place.open():
        hurt = place.crash(target)
    try:
        name = data.draw(st.sampled_from([hurt.file, hurt.file, hurt.wal]))
        size = name.stat().st_size
        offset = int(part * size)
        if data.draw(st.booleans()):
            os.truncate(name, offset)
        else:
            rubbish = data.draw(st.binary(min_size=1, max_size=300))
            with name.open("r+b") as file:
                file.seek(min(offset, max(0, size - 1)))
                file.write(rubbish * data.draw(st.sampled_from([1, 14, 100])))
        _check_opens(hurt)
    finally:
        hurt.close()


@pytest.mark.parametrize("letter", [b"A", b"\x80"])
def test_a_changed_letter_in_what_a_table_checks_is_damage(place: Place, letter: bytes) -> None:
    """Only a connection that may write meets it: one that may not takes the file for sound."""
    with place.open() as journal:
        place.work(journal)
    data = place.file.read_bytes()
    place.file.write_bytes(data.replace(b"CHECK (moved_bytes", b"CHECK (m" + letter + b"ved_bytes"))
    _check_opens(place)
    assert "journal.sqlite.broken-" in "".join(place.kept())


def test_a_journal_closed_with_its_wal_kept_has_all_that_was_written(place: Place) -> None:
    """As where the last word finds no room: the next start misses nothing, and takes on more."""
    db = connecting.open_connection(place.file, "the journal")
    words.put(db, "late", "kept")
    inode = place.wal.stat().st_ino
    connecting.close_keeping_wal(db, place.file)

    assert place.wal.stat().st_ino == inode
    for before, now in (("kept", "more"), ("more", "and more")):
        with place.open() as again:
            with again.read() as db:
                assert words.get(db, "late") == before
            assert is_known(again)
            place_word(again, now)
    assert place.kept() == []
    assert place.notes() == ""
