"""The simulated disk itself: it loses what was not synced, and keeps what was."""

import errno
import random

import pytest

from syncd.ports import Folder
from tests.faults.sim_disk import SimCrash, SimDisk
from tests.faults.sim_tree import SECTOR_BYTES

PAGES = bytes(4096) + b"\x01" * 4096 + b"\x02" * 4096


def _disk() -> tuple[SimDisk, Folder]:
    disk = SimDisk()
    disk.make_root("/mnt")
    return disk, disk.open_folder("/mnt")


def _write(folder: Folder, path: str, data: bytes, *, sync: bool) -> None:
    file = folder.open_write(path)
    file.write([memoryview(data)], 0)
    if sync:
        file.sync()
    file.close()


def _outcomes(work: str) -> set[tuple[tuple[str, bytes], ...]]:
    """Return every state that some seed leaves after a crash in the middle of work."""
    found = set()
    for seed in range(60):
        disk, folder = _disk()
        _write(folder, "old", b"old", sync=True)
        folder.sync_folder()
        _write(folder, "new", PAGES, sync="data" in work)
        if "rename" in work:
            folder.make_folders("day")
            folder.sync_folder()
            folder.rename_new("old", "day/old")
        if "names" in work:
            folder.sync_folder()
        disk.crash(random.Random(seed))
        found.add(tuple(disk.files_below("/mnt").items()))
    return found


def test_synced_data_and_names_survive() -> None:
    """Nothing that was synced is ever lost."""
    assert _outcomes("data names") == {(("new", PAGES), ("old", b"old"))}


def test_an_unsynced_name_may_be_lost_with_its_synced_data() -> None:
    """Syncing a file does not sync its name."""
    assert _outcomes("data") == {(("old", b"old"),), (("new", PAGES), ("old", b"old"))}


def test_unsynced_data_is_torn_at_pages() -> None:
    """Any page or sector may have arrived, and the size may be the old one or one in between."""
    found = {dict(state)["new"] for state in _outcomes("names")}

    assert b"" in found
    assert PAGES in found
    sizes = {len(data) for data in found}
    assert sizes > {0, len(PAGES)}
    assert {size % SECTOR_BYTES for size in sizes} == {0}
    full = [data for data in found if len(data) == len(PAGES)]
    torn = {data[at : at + SECTOR_BYTES] for data in full for at in range(4096, 8192, SECTOR_BYTES)}
    assert torn == {b"\x01" * SECTOR_BYTES, bytes(SECTOR_BYTES)}


def test_what_a_failed_sync_called_clean_is_gone_behind_the_cache() -> None:
    """The system says that it wrote; the device never had it, and a later sync changes nothing."""
    lost = 0
    for seed in range(20):
        disk = SimDisk(random.Random(seed))
        disk.make_root("/mnt")
        folder = disk.open_folder("/mnt")
        file = folder.open_write("new")
        file.write([memoryview(PAGES)], 0)
        disk.fail_next("sync", errno.EIO)
        with pytest.raises(OSError, match="Errno"):
            file.sync()
        assert folder.read_file("new", bytes_max=1 << 20) == PAGES
        file.sync()
        folder.open_read("new", past_cache=True)
        lost += folder.read_file("new", bytes_max=1 << 20) != PAGES
    assert lost > 5


def test_a_killed_process_loses_nothing_that_it_wrote() -> None:
    """Only power takes what the system has in its cache."""
    disk, folder = _disk()
    _write(folder, "new", PAGES, sync=False)
    disk.crash(random.Random(1), is_power=False)
    assert disk.files_below("/mnt") == {"new": PAGES}


def test_another_file_system_at_the_path_is_empty_and_another() -> None:
    """What is open goes on only if it was taken away lazily."""
    for lazily in (False, True):
        disk, folder = _disk()
        _write(folder, "old", b"old", sync=True)
        disk.take_away("/mnt", lazily=lazily, instead=True)
        other = disk.open_folder("/mnt")
        assert other.scan() == []
        assert other.identity() != folder.identity()
        assert not folder.is_still_at_its_path()
        if lazily:
            assert folder.read_file("old", bytes_max=9) == b"old"
        else:
            with pytest.raises(OSError, match="Errno"):
                folder.read_file("old", bytes_max=9)
        disk.bring_back("/mnt")
        assert folder.is_still_at_its_path()


def test_change_time_and_mtime_are_lost_together_or_not_at_all() -> None:
    """A synced one stays; of an unsynced edit the bytes may have arrived without either."""
    found = set()
    for seed in range(60):
        disk, folder = _disk()
        _write(folder, "clip", b"old", sync=True)
        folder.sync_folder()
        before = folder.stat("clip")
        _write(folder, "clip", b"new", sync=False)
        after = folder.stat("clip")
        disk.crash(random.Random(seed))
        now = disk.open_folder("/mnt").stat("clip")
        assert before is not None
        assert after is not None
        assert now is not None
        times = (now.mtime_ns, now.changed_ns)
        assert times in {(e.mtime_ns, e.changed_ns) for e in (before, after)}
        found.add((disk.files_below("/mnt")["clip"], times == (after.mtime_ns, after.changed_ns)))
    assert found == {(b"old", False), (b"old", True), (b"new", False), (b"new", True)}


def test_a_rename_is_kept_whole_or_not_at_all() -> None:
    """The file is at one of the two places, never at both or at none."""
    for state in _outcomes("rename data"):
        assert ("old" in dict(state)) != ("day/old" in dict(state))


def test_nothing_runs_between_losing_power_and_coming_back() -> None:
    """At the chosen operation, and at every later one, the crash is raised."""
    disk, folder = _disk()
    disk.crash_at_op = disk.ops + 2
    folder.make_folders("a")
    for _ in range(2):
        with pytest.raises(SimCrash):
            folder.make_folders("b")
    disk.crash(random.Random(1))
    with pytest.raises(SimCrash):
        folder.scan()
    assert "b" not in {entry.name for entry in disk.open_folder("/mnt").scan()}


def test_faults_come_as_the_system_gives_them() -> None:
    """Full, failing, gone and rotten."""
    disk, folder = _disk()
    _write(folder, "clip.mov", b"\x00\x00", sync=True)
    disk.flip("/mnt/clip.mov", 1, bit=3)
    assert folder.read_file("clip.mov", bytes_max=9) == b"\x00\x08"

    disk.full_after(10)
    with pytest.raises(OSError, match="Errno") as raised:
        _write(folder, "more", bytes(11), sync=False)
    assert raised.value.errno == errno.ENOSPC

    disk.fail_next("sync", errno.EIO)
    with pytest.raises(OSError, match="Errno") as raised:
        _write(folder, "clip.mov", b"1", sync=True)
    assert raised.value.errno == errno.EIO

    disk.take_away("/mnt")
    assert not folder.is_still_at_its_path()
    with pytest.raises(FileNotFoundError):
        disk.open_folder("/mnt")
    disk.bring_back("/mnt")
    assert folder.is_still_at_its_path()
