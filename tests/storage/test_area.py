"""The storage as a place: marked, present, with room, or not, and then with a remedy."""

import errno
from pathlib import Path

import psutil
import pytest

from syncd.edges.disk import RealDisk
from syncd.errors import HeldError
from syncd.roll.stages import HeldCode
from syncd.storage.amounts import human
from syncd.storage.area import Area
from syncd.storage.marker import MARKER_NAME, make_marker, read_marker
from tests.faults.sim_disk import SimDisk
from tests.storage.rig import STORAGE, SeededChance, StillClock


def _area(disk: SimDisk, *, marked: bool = True, keep_free_bytes: int = 0) -> Area:
    disk.make_root(STORAGE)
    if marked:
        make_marker(disk.open_folder(STORAGE), SeededChance())
    return Area(disk, STORAGE, box="process-1", clock=StillClock(), keep_free_bytes=keep_free_bytes)


def _code(area: Area, needed_bytes: int = 0) -> HeldCode:
    with pytest.raises(HeldError) as raised:
        area.check(needed_bytes)
    assert raised.value.remedy
    return raised.value.code


def test_a_storage_without_marker_is_absent_and_the_remedy_says_how_to_mark_it() -> None:
    """An empty folder below an unmounted path is never taken for the storage."""
    area = _area(SimDisk(), marked=False)
    assert _code(area) is HeldCode.STORAGE_ABSENT
    assert "syncd check --mark" in area.problem()


def test_marking_twice_keeps_the_first_id() -> None:
    """A marker is made once."""
    disk = SimDisk()
    disk.make_root(STORAGE)
    folder = disk.open_folder(STORAGE)
    assert make_marker(folder, SeededChance(1)) == make_marker(folder, SeededChance(2))
    assert len(read_marker(folder)) == 32


@pytest.mark.parametrize("content", [b"", b"{}", b'{"syncd_storage": 2, "id": "1"}', b"\xff"])
def test_a_broken_marker_is_no_marker(content: bytes) -> None:
    """Only what we wrote counts."""
    disk = SimDisk()
    area = _area(disk, marked=False)
    disk.open_folder(STORAGE).make_new_file(MARKER_NAME, content)
    assert _code(area) is HeldCode.STORAGE_ABSENT


def test_a_storage_that_comes_back_is_opened_again() -> None:
    """Unmounted it is absent; mounted again it is good, without a restart."""
    disk = SimDisk()
    area = _area(disk)
    area.check(0)
    disk.take_away(STORAGE)
    assert _code(area) is HeldCode.STORAGE_ABSENT
    disk.bring_back(STORAGE)
    assert area.problem() == ""
    assert area.folder().is_still_at_its_path()


def test_a_storage_that_was_taken_away_is_let_go_of(tmp_path: Path) -> None:
    """Nothing of ours keeps it busy, so that it can be repaired and mounted again."""
    mount, away = tmp_path / "array", tmp_path / "away"
    mount.mkdir()
    disk = RealDisk()
    make_marker(disk.open_folder(str(mount)), SeededChance())
    area = Area(disk, str(mount), box="process-1", clock=StillClock(), keep_free_bytes=0)
    open_before = psutil.Process().num_fds()
    used = area.folder()
    used.make_folders("Clips")
    used.open_write("Clips/A001_C001.mov").close()
    assert psutil.Process().num_fds() > open_before
    mount.rename(away)
    area.let_go_if_gone()
    assert psutil.Process().num_fds() == open_before
    away.rename(mount)
    assert area.problem() == ""
    disk.close()


def test_another_storage_at_the_same_path_is_refused() -> None:
    """Its id is not the one that was there before; marked it is: what helps now is a restart."""
    disk = SimDisk()
    area = _area(disk)
    area.check(0)
    root = disk.open_folder("/mnt")
    root.rename_new("array", "old")
    disk.make_root(STORAGE)
    make_marker(disk.open_folder(STORAGE), SeededChance(99))
    assert _code(area) is HeldCode.STORAGE_ABSENT
    assert "restart syncd on this box once you are sure" in area.problem()
    assert "check --mark" not in area.problem()


def test_space_is_checked_against_what_is_to_be_kept_free() -> None:
    """The message has the numbers, and how much to free."""
    disk = SimDisk()
    area = _area(disk, keep_free_bytes=400)
    disk.full_after(1000)
    area.check(600)
    assert _code(area, 601) is HeldCode.STORAGE_FULL
    with pytest.raises(HeldError, match=r"1 kB free.*400 B.*Free 100 B"):
        area.check(700)
    disk.full_after(400)
    assert _code(area) is HeldCode.STORAGE_FULL
    assert area.problem().endswith("Free space on it; rolls go on by themselves.")
    assert area.present()


def test_what_is_promised_and_not_written_is_promised_to_nobody_else() -> None:
    """However often free space is looked at meanwhile; once written it is seen, or given up."""
    disk, clock = SimDisk(), StillClock()
    _area(disk)
    area = Area(disk, STORAGE, box="process-1", clock=clock, keep_free_bytes=400)
    disk.full_after(1000)
    first = area.promise(500)
    clock.now_s += 60

    with pytest.raises(HeldError, match="beside 500 B of rolls") as raised:
        area.promise(200)

    assert raised.value.code is HeldCode.STORAGE_FULL
    assert area.folder() is first.folder, "nothing is to be written"
    disk.open_folder(STORAGE).make_new_file("A012.mov", bytes(300))
    first.use(300)
    clock.now_s += 60
    second = area.promise(100)
    clock.now_s += 60
    first.give_up()
    third = area.promise(200)
    clock.now_s += 60
    with pytest.raises(HeldError):
        area.promise(1)
    del second, third
    area.promise(300)


def test_a_folder_that_a_person_named_needs_no_marker() -> None:
    """Editorial's target is any folder."""
    disk = SimDisk()
    disk.make_root("/edit")
    area = Area(
        disk, "/edit", box="process-1", clock=StillClock(), keep_free_bytes=0, marker_required=False
    )
    assert area.problem() == ""


@pytest.mark.parametrize(
    ("size", "text"),
    [(0, "0 B"), (999, "999 B"), (1000, "1 kB"), (999_999, "1 MB"), (200_000_000_000, "200 GB")],
)
def test_amounts_are_written_for_people(size: int, text: str) -> None:
    """Three digits and a decimal unit."""
    assert human(size) == text


def test_a_storage_that_a_write_found_read_only_is_so_until_one_goes_well() -> None:
    """The system does not say so when only asked; a trial does, and leaves nothing behind."""
    disk = SimDisk()
    area = _area(disk)
    disk.fail_next("replace_file", errno.EROFS, times=2)
    held = area.failed(OSError(errno.EROFS, "Read-only file system"), "Clips/A.mov")
    assert held.code is HeldCode.STORAGE_ERROR
    for _ in range(2):
        assert "is mounted read-only" in area.problem()
    assert area.problem() == ""
    assert list(disk.files_below(STORAGE)) == ["syncd-storage.json"]
