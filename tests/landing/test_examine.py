"""What becomes of a roll, look by look, on a real disk and on time that the test lets pass."""

import errno
import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from syncd.edges.disk import RealDisk
from syncd.journal import history, rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin, RollRow
from syncd.landing.decide import WAITS_FOR_EVIDENCE, Terms
from syncd.landing.examine import Examiner
from syncd.landing.ledger import Ledger
from syncd.landing.resting import CURED_BY_OFFLOADING
from syncd.landing.scan import FoundRoll
from syncd.limits import PATH_BYTES_MAX, QUIET_S, RESCAN_S, SCAN_FAILURES_MAX
from syncd.ports import Entry, Folder
from syncd.roll.inventory import FileKind, Trust
from syncd.roll.stages import HeldCode, Stage
from tests.landing.samples import (
    CLIPS,
    DAY,
    TestClock,
    media_hash_list,
    place_for,
    touch_again,
    write_clips,
    write_evidence,
)

SETTLE_S = 20.0
A012 = "A012"


class Bench:
    """One roll on a landing, looked at when the test says so."""

    def __init__(self, landing: Path, journal: Journal, folder: Folder, trust: Trust) -> None:
        self.landing = landing
        self.journal = journal
        self.folder = folder
        self.clock = TestClock()
        ledger = Ledger(journal, self.clock, place_for, "shared")
        self.examiner = Examiner(ledger, self.clock, Terms(trust, SETTLE_S), "syncd (uid 990)")
        found = FoundRoll(DAY, A012, f"{DAY}/{A012}")
        self.roll = self.examiner.recall(found, str(landing / DAY / A012), [])

    def look(self, after_s: float = 0.0) -> list[RollRow]:
        """Let time pass and look; return all rolls, newest last."""
        self.clock.now_s += after_s
        self.examiner.look(self.folder, self.roll)
        return self.rows()

    def rows(self) -> list[RollRow]:
        """Return what the journal has."""
        with self.journal.read() as db:
            return sorted(rolls.all_rolls(db), key=lambda row: row.arrived_utc_ms)

    def move_on(self, stage: Stage) -> None:
        """Let the hand-off bring the newest roll to stage."""
        with self.journal.write() as db:
            rolls.set_stage(db, self.rows()[-1].roll_id, stage, now_utc_ms=self.clock.utc_ms())

    def hold(self, roll_id: str, code: HeldCode) -> None:
        """Let the hand-off hold a roll."""
        with self.journal.write() as db:
            rolls.hold(db, roll_id, code, "why", None, now_utc_ms=self.clock.utc_ms())

    def verify(self) -> RollRow:
        """Bring the roll to verified."""
        self.look()
        self.look(SETTLE_S)
        (row,) = self.rows()
        assert row.stage is Stage.VERIFIED
        return row


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Folder]:
    """Open tmp_path as a landing."""
    disk = RealDisk()
    opened = disk.open_folder(str(tmp_path))
    yield opened
    opened.close()
    disk.close()


@pytest.fixture
def bench(tmp_path: Path, journal: Journal, folder: Folder) -> Bench:
    """Make a landing that wants evidence, with a roll without."""
    write_clips(tmp_path, A012)
    return Bench(tmp_path, journal, folder, Trust.EVIDENCE)


@pytest.fixture
def settling(tmp_path: Path, journal: Journal, folder: Folder) -> Bench:
    """Make a landing that trusts what has settled, with a roll without evidence."""
    write_clips(tmp_path, A012)
    return Bench(tmp_path, journal, folder, Trust.SETTLED)


@pytest.fixture
def roll(tmp_path: Path) -> Path:
    """Name the roll's folder."""
    return tmp_path / DAY / A012


def test_a_roll_without_evidence_waits_for_ever(bench: Bench) -> None:
    """It is shown as arriving, is not held, and asks for no further look."""
    bench.look()
    (row,) = bench.look(1_000_000.0)

    assert (row.stage, row.held) == (Stage.ARRIVING, None)
    assert (row.day, row.name, row.rank) == (DAY, A012, 10)
    assert bench.roll.due_s is None


def test_a_still_roll_without_evidence_says_once_that_it_waits_for_it(bench: Bench) -> None:
    """Not while its files may still be on their way; and a restart does not say it again."""

    def said() -> int:
        (row,) = bench.look()
        with bench.journal.read() as db:
            return [line.note for line in history.read(db, row.roll_id)].count(WAITS_FOR_EVIDENCE)

    assert said() == 0
    bench.look(SETTLE_S)
    assert said() == 1
    bench.look(1_000_000.0)
    bench.roll.is_told = False  # as after a restart
    assert said() == 1


def test_complete_evidence_and_quiet_make_a_roll_verified(bench: Bench, roll: Path) -> None:
    """The evidence is found at once, and believed when nothing changed for its quiet time."""
    write_evidence(roll)
    (row,) = bench.look()
    assert row.stage is Stage.ARRIVING
    assert bench.roll.due_s == bench.clock.now_s + QUIET_S

    (row,) = bench.look(QUIET_S)

    assert row.stage is Stage.VERIFIED
    assert (row.source_path, row.route, row.rank) == (str(roll), "shared", 10)
    assert row.file_count == 3


def test_a_verified_roll_is_remembered_by_its_name_only(bench: Bench, roll: Path) -> None:
    """Its inventory is the journal's; a daemon that runs for weeks does not keep them all."""
    write_evidence(roll)
    bench.look()
    assert bench.roll.verdict is not None, "kept between looks, while it is waited for"
    (row,) = bench.look(QUIET_S)

    assert row.stage is Stage.VERIFIED
    assert bench.roll.verdict is None


def test_a_change_during_the_quiet_begins_it_anew(bench: Bench, roll: Path) -> None:
    """What still changes is not yet what will be handed over."""
    manifest = write_evidence(roll)
    bench.look()
    touch_again(manifest, manifest.read_bytes())
    bench.look(QUIET_S)
    (row,) = bench.look(QUIET_S / 2)
    assert row.stage is Stage.ARRIVING

    (row,) = bench.look(QUIET_S / 2)
    assert row.stage is Stage.VERIFIED


def test_a_listed_file_that_does_not_come_holds_the_roll_and_its_coming_cures_it(
    bench: Bench, roll: Path
) -> None:
    """Evidence may come before the last clip; only a still roll is held."""
    write_evidence(roll)
    clip = roll / "CLIPS" / "A012C002.mov"
    data, times = clip.read_bytes(), clip.stat()
    clip.unlink()
    (row,) = bench.look()
    assert row.held is None
    (row,) = bench.look(SETTLE_S)
    assert row.held is not None
    assert (row.held.code, row.held.path) == (HeldCode.FILE_MISSING, "CLIPS/A012C002.mov")

    clip.write_bytes(data)
    os.utime(clip, ns=(times.st_mtime_ns, times.st_mtime_ns))
    (row,) = bench.look(1.0)
    assert row.held is None
    (row,) = bench.look(QUIET_S)
    assert row.stage is Stage.VERIFIED


def test_files_that_no_evidence_lists_hold_the_roll(bench: Bench, roll: Path) -> None:
    """The first is named, and how many more there are."""
    write_evidence(roll, leave_out=("CLIPS/A012C001.mov", "CLIPS/A012C002.mov"))
    bench.look()
    (row,) = bench.look(SETTLE_S)

    assert row.held is not None
    assert (row.held.code, row.held.path) == (HeldCode.FILE_UNLISTED, "CLIPS/A012C001.mov")
    assert "and 1 more" in row.held.message


def test_a_hold_stays_while_its_reason_does(bench: Bench, roll: Path) -> None:
    """Another change elsewhere does not lift it for a moment and put it back."""
    write_evidence(roll, leave_out=("CLIPS/A012C001.mov",))
    bench.look()
    bench.look(SETTLE_S)
    (roll.parent / "A013.md5").write_text("")

    (row,) = bench.look(1.0)

    assert row.held is not None
    with bench.journal.read() as db:
        assert [line.stage for line in history.read(db, row.roll_id)].count(Stage.HELD) == 1


def test_broken_evidence_holds_a_roll_once_it_is_still(bench: Bench, roll: Path) -> None:
    """A manifest that is being written looks broken; one that stays so is."""
    manifest = write_evidence(roll)
    whole = manifest.read_text()
    manifest.write_text(whole[: len(whole) // 2])
    (row,) = bench.look()
    assert row.held is None
    (row,) = bench.look(SETTLE_S)
    assert row.held is not None

    touch_again(manifest, whole.encode())
    bench.look(1.0)
    (row,) = bench.look(QUIET_S)
    assert row.stage is Stage.VERIFIED


def test_an_unsafe_name_holds_a_roll_at_once(bench: Bench, roll: Path) -> None:
    """Waiting will not make a name better; renaming will."""
    bad = Path(os.fsdecode(os.fsencode(roll) + b"/bad\xff.mov"))
    bad.write_bytes(b"x")
    (row,) = bench.look()
    assert row.held is not None
    assert row.held.code is HeldCode.NAME_UNSAFE

    bad.rename(roll / "good.mov")
    (row,) = bench.look(1.0)
    assert row.held is None


def test_a_path_that_is_too_long_with_day_and_roll_is_held_here(bench: Bench, roll: Path) -> None:
    """The storage would refuse it, and there it could be no more than refused."""
    above = "/".join(["b" * 200] * 4)
    longest = PATH_BYTES_MAX - len(f"{DAY}/{A012}/{above}/")
    folder = roll / above
    folder.mkdir(parents=True)
    (folder / ("c" * longest)).write_bytes(b"x")
    (row,) = bench.look()
    assert row.held is None

    (folder / ("d" * (longest + 1))).write_bytes(b"x")
    (row,) = bench.look(1.0)
    assert row.held is not None
    assert row.held.code is HeldCode.NAME_UNSAFE


def test_a_settled_roll_is_verified_without_evidence(settling: Bench) -> None:
    """Without digests: they are taken in the same read that sends it."""
    settling.look()
    (row,) = settling.look(SETTLE_S - 0.1)
    assert row.stage is Stage.ARRIVING
    (row,) = settling.look(0.1)
    assert row.stage is Stage.VERIFIED

    with settling.journal.read() as db:
        inventory = rolls.load_inventory(db, row.roll_id)
    assert inventory.trust is Trust.SETTLED
    assert [entry.digests for entry in inventory.files] == [(), ()]


def test_an_empty_folder_never_settles(settling: Bench, roll: Path) -> None:
    """A roll has at least one file."""
    for clip in roll.glob("CLIPS/*"):
        clip.unlink()
    settling.look()
    (row,) = settling.look(SETTLE_S * 100)

    assert row.stage is Stage.ARRIVING
    assert settling.roll.due_s is None


def test_evidence_that_comes_while_settling_wins(settling: Bench, roll: Path) -> None:
    """Then the roll is verified by it, and held by it."""
    settling.look()
    write_evidence(roll, leave_out=("CLIPS/A012C001.mov",))
    settling.look(SETTLE_S)
    (row,) = settling.look(SETTLE_S)

    assert row.held is not None
    assert row.held.code is HeldCode.FILE_UNLISTED


def test_evidence_that_comes_after_settling_takes_the_roll_over(
    settling: Bench, roll: Path
) -> None:
    """The same media travel once: under the evidence, and not as what merely settled."""
    old = settling.verify()
    write_evidence(roll)
    settling.look()
    older, newer = settling.look(QUIET_S)

    assert (older.roll_id, older.same_as, older.held) == (old.roll_id, newer.roll_id, None)
    assert newer.stage is Stage.VERIFIED
    with settling.journal.read() as db:
        assert rolls.load_inventory(db, newer.roll_id).trust is Trust.EVIDENCE
    settling.look(SETTLE_S)
    assert settling.rows() == [older, newer]


def test_a_verified_roll_that_changes_is_held_and_goes_on_when_it_is_as_before(
    bench: Bench, roll: Path
) -> None:
    """The changed file is named; the journal's inventory is what counts."""
    write_evidence(roll)
    bench.verify()
    clip = roll / "CLIPS" / "A012C001.mov"
    data, stamp = clip.read_bytes(), clip.stat().st_mtime_ns
    touch_again(clip, b"other")
    bench.look()
    (row,) = bench.look(SETTLE_S)
    assert row.held is not None
    assert (row.held.code, row.held.path) == (HeldCode.SOURCE_CHANGED, "CLIPS/A012C001.mov")

    clip.write_bytes(data)
    os.utime(clip, ns=(stamp, stamp))
    (row,) = bench.look(1.0)
    assert (row.stage, row.held) == (Stage.VERIFIED, None)


@pytest.mark.parametrize("held", [None, *sorted(CURED_BY_OFFLOADING)])
def test_evidence_rewritten_while_the_roll_moves_is_taken_anew(
    bench: Bench, roll: Path, held: HeldCode | None
) -> None:
    """The media are the same and covered, so the roll goes on with what is there now."""
    listed = write_evidence(roll)
    before = bench.verify()
    bench.move_on(Stage.MOVING)
    if held is not None:
        with bench.journal.write() as db:
            rolls.hold(db, before.roll_id, held, "It was read.", listed.name, now_utc_ms=0)
    touch_again(listed, listed.read_bytes() + b"<!-- checked twice -->\n")
    bench.look()
    (row,) = bench.look(QUIET_S)

    assert (row.roll_id, row.stage, row.held) == (before.roll_id, Stage.MOVING, None)
    assert row.edition == before.edition + 1
    with bench.journal.read() as db:
        found = rolls.load_inventory(db, row.roll_id)
    (entry,) = (e for e in found.files if e.kind is FileKind.EVIDENCE)
    assert (entry.size_bytes, entry.mtime_ns) == (
        listed.stat().st_size,
        listed.stat().st_mtime_ns,
    )
    assert bench.look(SETTLE_S) == [row]


def test_a_file_that_vanishes_from_a_verified_roll_holds_it(bench: Bench, roll: Path) -> None:
    """Missing is changed, as long as the roll has yet to be read."""
    write_evidence(roll)
    bench.verify()
    (roll / "CLIPS" / "A012C002.mov").unlink()
    (row,) = bench.look()

    assert row.held is not None
    assert (row.held.code, row.held.path) == (HeldCode.SOURCE_CHANGED, "CLIPS/A012C002.mov")


@pytest.mark.parametrize("stage", [Stage.LANDED, Stage.READY])
def test_clearing_the_landing_after_a_roll_has_landed_is_no_change(
    bench: Bench, roll: Path, stage: Stage
) -> None:
    """People do that; it says nothing about the published roll."""
    write_evidence(roll)
    bench.verify()
    bench.move_on(stage)
    (roll / "CLIPS" / "A012C002.mov").unlink()
    bench.look()
    (row,) = bench.look(SETTLE_S)

    assert (row.stage, row.held) == (stage, None)


def test_what_lay_in_a_folder_before_rests_from_the_moment_its_successor_can_be_offered(
    bench: Bench, roll: Path
) -> None:
    """An offer between the two would name no roll that it replaces, and its name would be taken."""
    write_evidence(roll)
    older = bench.verify()
    bench.hold(older.roll_id, HeldCode.EVIDENCE_MISMATCH)
    seen: list[tuple[str, ...]] = []

    def look_as_an_offer_does() -> None:
        with bench.journal.read() as db:
            new = [row.roll_id for row in rolls.unfinished(db, Origin.LANDING)]
            new = [roll_id for roll_id in new if roll_id != older.roll_id]
            seen.extend(rolls.replaced_by(db, roll_id) for roll_id in new)

    bench.journal.subscribe(look_as_an_offer_does)
    touch_again(roll / "CLIPS/A012C001.mov", b"offloaded again")
    touch_again(write_evidence(roll), media_hash_list(roll).encode())
    bench.look()
    bench.look(SETTLE_S)

    assert seen
    assert set(seen) == {(older.roll_id,)}


def test_two_unfinished_rolls_of_one_folder_become_one_and_a_name_taken_by_the_other_is_free(
    bench: Bench, roll: Path
) -> None:
    """As an earlier syncd left them, or as the older one came to be held only later."""
    write_evidence(roll)
    older = bench.verify()
    touch_again(roll / "CLIPS/A012C001.mov", b"offloaded again")
    touch_again(write_evidence(roll), media_hash_list(roll).encode())
    bench.look()
    bench.look(SETTLE_S)
    newer = next(row for row in bench.rows() if row.same_as is None)
    with bench.journal.write() as db:
        rolls.set_same_as(db, older.roll_id, None)
    bench.hold(older.roll_id, HeldCode.EVIDENCE_MISMATCH)
    bench.hold(newer.roll_id, HeldCode.NAME_TAKEN)

    bench.look()

    now = {row.roll_id: row for row in bench.rows()}
    assert now[older.roll_id].same_as == newer.roll_id
    assert now[newer.roll_id].held is None


def test_other_content_in_a_landed_roll_is_another_roll(bench: Bench, roll: Path) -> None:
    """It is verified anew and offered; that the name is taken is for the storage to say."""
    write_evidence(roll)
    old = bench.verify()
    bench.move_on(Stage.READY)
    touch_again(roll / "CLIPS" / "A012C001.mov", b"reloaded")
    write_evidence(roll)
    bench.look()
    older, newer = bench.look(QUIET_S)

    assert (older.roll_id, older.stage) == (old.roll_id, Stage.READY)
    assert (newer.stage, newer.name) == (Stage.VERIFIED, A012)
    assert newer.roll_id != old.roll_id


def test_what_is_known_already_is_not_journalled_again(bench: Bench, roll: Path) -> None:
    """Looking at the same roll a hundred times writes nothing."""
    write_evidence(roll)
    bench.verify()
    with bench.journal.read() as db:
        before = db.total_changes
    for _ in range(100):
        bench.look(1.0)

    with bench.journal.read() as db:
        assert db.total_changes == before


def test_a_restart_remembers_what_was_verified(bench: Bench, roll: Path) -> None:
    """The journal knows the folder; an unfinished roll is looked at once, a landed one is not."""
    write_evidence(roll)
    row = bench.verify()
    recorded = bench.examiner.recorded()

    again = bench.examiner.recall(bench.roll.found, str(roll), recorded[str(roll)])
    assert (again.known_ids, again.placeholder) == ([row.roll_id], None)
    assert again.due_s is not None

    bench.move_on(Stage.READY)
    recorded = bench.examiner.recorded()
    assert bench.examiner.recall(again.found, str(roll), recorded[str(roll)]).due_s is None


def test_a_folder_that_cannot_be_read_is_unknown_then_held(bench: Bench, roll: Path) -> None:
    """Once is ordinary; again and again is told to a person. Nothing is taken for empty."""
    write_evidence(roll)
    bench.verify()
    whole = bench.folder
    bench.folder = _Unreadable(whole)  # type: ignore[assignment]
    for _ in range(SCAN_FAILURES_MAX - 1):
        (row,) = bench.look(5.0)
        assert row.held is None
        assert bench.roll.due_s is not None
    (row,) = bench.look(5.0)
    assert row.held is not None
    assert row.held.code is HeldCode.SOURCE_UNREADABLE
    assert "Input/output error" in row.held.message

    bench.folder = whole
    (row,) = bench.look(5.0)
    assert row.held is None


@pytest.mark.parametrize("is_evidence", [True, False], ids=["evidence", "folder"])
def test_rights_that_lack_are_named_with_the_user_and_the_path(
    bench: Bench, roll: Path, monkeypatch: pytest.MonkeyPatch, is_evidence: bool
) -> None:
    """Nobody is told to mount what is there; looks at it become rare, and it cures itself."""
    manifest = write_evidence(roll)
    path = manifest.name if is_evidence else "CLIPS"
    op = "read_file" if is_evidence else "scan"
    really = getattr(type(bench.folder), op)

    def denied(folder: Folder, asked: str = "", **options: int) -> object:
        if asked.endswith(f"A012/{path}"):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        return really(folder, asked, **options)

    monkeypatch.setattr(type(bench.folder), op, denied)
    for _ in range(SCAN_FAILURES_MAX):
        bench.look(10.0)
    (row,) = bench.rows()
    assert row.held is not None
    assert (row.held.code, row.held.path) == (HeldCode.SOURCE_UNREADABLE, path)
    for part in (f"A012/{path} may not be read by syncd (uid 990)", "read permission on files"):
        assert part in row.held.message
    assert "mount" not in row.held.message
    for _ in range(20):
        bench.look(60.0)
    assert bench.roll.due_s == bench.clock.now_s + RESCAN_S
    monkeypatch.undo()
    bench.look(60.0)
    (row,) = bench.look(60.0)
    assert (row.stage, row.held) == (Stage.VERIFIED, None)


def test_links_are_not_sent_and_the_history_says_so(bench: Bench, roll: Path) -> None:
    """They are followed by nobody; the roll is complete without them."""
    (roll / "link").symlink_to("/etc/hosts")
    write_evidence(roll, leave_out=("link",))
    row = bench.verify()

    with bench.journal.read() as db:
        notes = [line.note for line in history.read(db, row.roll_id)]
    assert any("not sent" in note and "link" in note for note in notes)


def test_a_dropping_that_the_evidence_names_travels(bench: Bench, roll: Path) -> None:
    """It belongs to what was proved; another one stays behind, and neither is ever a change."""
    (roll / "CLIPS" / "index.tmp").write_bytes(b"named")
    write_evidence(roll)
    (roll / ".DS_Store").write_bytes(b"not named")
    row = bench.verify()

    with bench.journal.read() as db:
        paths = [entry.path for entry in rolls.load_inventory(db, row.roll_id).files]
    assert "CLIPS/index.tmp" in paths
    assert ".DS_Store" not in paths
    (roll / ".DS_Store").unlink()
    bench.look(1.0)
    assert bench.look(SETTLE_S) == [row]


def test_a_folder_that_goes_takes_its_arriving_roll_along(bench: Bench) -> None:
    """What was never verified leaves no trace."""
    bench.look()
    bench.examiner.forget(bench.roll, is_sure=True)

    assert bench.rows() == []


def test_two_landings_that_show_the_same_day_and_name_keep_to_their_own(
    bench: Bench, roll: Path, folder: Folder
) -> None:
    """What becomes of the roll in one of them holds, releases and forgets nothing of the other."""
    other = Bench(bench.landing / "second", bench.journal, folder, Trust.EVIDENCE)
    write_evidence(write_clips(other.landing, A012)).write_text("no list")
    other.roll.found = FoundRoll(DAY, A012, f"second/{DAY}/{A012}")
    bench.look()
    other.look(SETTLE_S)
    other.look(SETTLE_S)
    held = _held_by_source(other)
    assert held == {
        str(roll): None,
        other.roll.source: HeldCode.EVIDENCE_MISMATCH,
    }
    bench.look()
    assert _held_by_source(bench) == held

    write_evidence(roll)
    bench.look()
    bench.look(SETTLE_S)
    other.folder = _Unreadable(folder)  # type: ignore[assignment]
    for _ in range(SCAN_FAILURES_MAX):
        other.look(5.0)
    held = {str(roll): None, other.roll.source: HeldCode.SOURCE_UNREADABLE}
    assert _held_by_source(bench) == held
    other.examiner.forget(other.roll, is_sure=True)
    (row,) = bench.rows()
    assert (row.stage, row.source_path) == (Stage.VERIFIED, str(roll))


def test_the_same_roll_in_another_landing_releases_only_what_can_go_on_from_there(
    bench: Bench, roll: Path, folder: Folder
) -> None:
    """A changed source is not well because a copy of it is; one that is gone is done without."""
    write_evidence(roll)
    bench.verify()
    other = Bench(bench.landing / "second", bench.journal, folder, Trust.EVIDENCE)
    other.roll.found = FoundRoll(DAY, A012, f"second/{DAY}/{A012}")
    shutil.copytree(roll, other.roll.source)  # with its times
    other.look()
    other.look(SETTLE_S)
    clip = roll / "CLIPS" / "A012C001.mov"
    before = clip.stat()
    touch_again(clip, b"other")
    bench.look(SETTLE_S)
    bench.look(SETTLE_S)
    held = {str(roll): HeldCode.SOURCE_CHANGED}
    assert _held_by_source(bench) == held
    other.look(SETTLE_S)
    assert _held_by_source(bench) == held

    clip.write_bytes(CLIPS["CLIPS/A012C001.mov"])
    os.utime(clip, ns=(before.st_atime_ns, before.st_mtime_ns))
    bench.look(SETTLE_S)
    assert _held_by_source(bench) == {str(roll): None}
    bench.examiner.lose(bench.roll, "The folder is gone")
    assert _held_by_source(bench) == {str(roll): HeldCode.SOURCE_UNREADABLE}
    other.look(SETTLE_S)
    assert _held_by_source(bench) == {other.roll.source: None}


def _held_by_source(bench: Bench) -> dict[str | None, HeldCode | None]:
    return {row.source_path: row.held.code if row.held else None for row in bench.rows()}


class _Unreadable:
    """A folder whose listings fail."""

    def __init__(self, folder: Folder) -> None:
        self._folder = folder

    def stat(self, path: str) -> Entry | None:
        return self._folder.stat(path)

    def scan(self, path: str = "") -> list[Entry]:
        raise OSError(errno.EIO, os.strerror(errno.EIO), path)
