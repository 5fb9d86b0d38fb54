"""One contract for both disks: the real one in a temporary folder, and the simulated one."""

import errno
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import psutil
import pytest

from syncd.edges.descriptors import KEPT_MAX
from syncd.edges.disk import RealDisk
from syncd.edges.mounts import file_system_of
from syncd.limits import DIRECT_ALIGN_BYTES
from syncd.ports import Disk, EntryKind, Folder, ReadLevel
from tests.faults.sim_disk import SimDisk


@dataclass
class Bench:
    """A disk with one open folder in it."""

    disk: Disk
    folder: Folder
    path: str

    def link(self, path: str, target: str) -> None:
        """Put a symbolic link."""
        if isinstance(self.disk, RealDisk):
            os.symlink(target, f"{self.path}/{path}")
        else:
            self.folder.make_link(path, target)  # type: ignore[attr-defined]

    def write(self, path: str, data: bytes) -> None:
        """Write a file through the port."""
        file = self.folder.open_write(path)
        file.write([memoryview(data)], 0)
        file.sync()
        file.close()

    def read(self, path: str) -> bytes:
        """Read a file through the port."""
        return self.folder.read_file(path, bytes_max=1 << 30)


@pytest.fixture(params=["real", "simulated"])
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Bench]:
    """Each test runs on both disks."""
    if request.param == "real":
        disk = RealDisk()
        folder = disk.open_folder(str(tmp_path))
        yield Bench(disk, folder, str(tmp_path))
        folder.close()
        disk.close()
        return
    simulated = SimDisk()
    simulated.make_root("/mnt/array")
    yield Bench(simulated, simulated.open_folder("/mnt/array"), "/mnt/array")


def test_written_bytes_come_back_at_their_offsets(bench: Bench) -> None:
    """Several views are written one after the other, and a gap reads as zeros."""
    file = bench.folder.open_write("clip.mov")
    file.write([memoryview(b"abc"), memoryview(b""), memoryview(b"def")], 10)
    file.sync()
    file.close()

    assert bench.read("clip.mov") == bytes(10) + b"abcdef"


def test_many_views_are_written_whole(bench: Bench) -> None:
    """More views than the system takes at once are no problem of the caller."""
    views = [memoryview(str(number).encode()) for number in range(3000)]
    file = bench.folder.open_write("many")
    file.write(views, 0)
    file.close()

    assert bench.read("many") == b"".join(views)


def test_opening_for_writing_keeps_what_is_there(bench: Bench) -> None:
    """A second opening writes into the file, it does not empty it."""
    bench.write("clip.mov", b"abcdef")
    file = bench.folder.open_write("clip.mov", create=False)
    file.write([memoryview(b"X")], 2)
    file.close()

    assert bench.read("clip.mov") == b"abXdef"


def test_a_missing_file_is_not_made_unless_asked(bench: Bench) -> None:
    """create=False raises as the system does."""
    with pytest.raises(FileNotFoundError):
        bench.folder.open_write("clip.mov", create=False)
    with pytest.raises(FileNotFoundError):
        bench.folder.open_read("clip.mov")


def test_a_read_past_the_cache_gives_the_same_bytes_with_an_odd_tail(bench: Bench) -> None:
    """Direct reads go in whole blocks; the last one is cut where the file ends."""
    data = bytes(range(256)) * 100 + b"tail"
    bench.write("clip.mov", data)
    buffer = bench.disk.aligned_buffer(4 * DIRECT_ALIGN_BYTES)

    file = bench.folder.open_read("clip.mov", past_cache=True)
    found = bytearray()
    while count := file.read_into(buffer, len(found)):
        found += buffer[:count]
        if count < len(buffer):
            break
    file.close()

    assert bytes(found) == data
    assert file.read_level in ReadLevel


def test_a_scan_is_sorted_as_bytes_and_names_kinds(bench: Bench) -> None:
    """Capitals come before small letters; links are seen as links."""
    bench.write("b", b"12")
    bench.write("Z", b"")
    bench.folder.make_folders("a/deep")
    bench.link("link", "/etc")

    found = [(entry.name, entry.kind) for entry in bench.folder.scan()]

    assert found == [
        ("Z", EntryKind.FILE),
        ("a", EntryKind.FOLDER),
        ("b", EntryKind.FILE),
        ("link", EntryKind.LINK),
    ]
    with pytest.raises(FileNotFoundError):
        bench.folder.scan("nowhere")


def test_stat_tells_size_and_time_and_absence(bench: Bench) -> None:
    """What is not there is None; "" is the folder itself."""
    file = bench.folder.open_write("clip.mov")
    file.write([memoryview(b"12345")], 0)
    file.set_mtime(1_773_500_000_123_456_789)
    file.close()

    entry = bench.folder.stat("clip.mov")

    assert entry is not None
    assert (entry.size_bytes, entry.mtime_ns) == (5, 1_773_500_000_123_456_789)
    assert bench.folder.stat("other") is None
    assert bench.folder.stat("no/where") is None
    own = bench.folder.stat("")
    assert own is not None
    assert (own.device, own.inode) == bench.folder.identity()


def test_a_change_time_tells_what_size_and_mtime_do_not(bench: Bench) -> None:
    """Of a write, and of a time that was put back; an open file keeps what it was opened with."""
    bench.write("clip.mov", b"12345")
    first = bench.folder.stat("clip.mov")
    assert first is not None
    time.sleep(0.02)  # the clock of change times ticks in milliseconds, up to ten of them
    file = bench.folder.open_write("clip.mov")
    file.write([memoryview(b"x")], 0)
    file.set_mtime(first.mtime_ns)
    file.close()

    entry = bench.folder.stat("clip.mov")

    assert entry is not None
    assert (entry.size_bytes, entry.mtime_ns) == (first.size_bytes, first.mtime_ns)
    assert file.opened.changed_ns == first.changed_ns
    assert entry.changed_ns > first.changed_ns
    assert [e.changed_ns for e in bench.folder.scan()] == [entry.changed_ns]


def test_renaming_a_folder_leaves_the_change_times_of_its_files(bench: Bench) -> None:
    """So what was read back in incoming is what is published; the folder's own is another."""
    bench.folder.make_folders("roll")
    bench.write("roll/clip.mov", b"12345")
    clip, roll = bench.folder.stat("roll/clip.mov"), bench.folder.stat("roll")
    assert clip is not None
    assert roll is not None
    time.sleep(0.02)

    bench.folder.rename_new("roll", "A012")

    assert bench.folder.stat("A012/clip.mov") == clip
    there = bench.folder.stat("A012")
    assert there is not None
    assert there.changed_ns > roll.changed_ns


@pytest.mark.parametrize("path", ["../out", "/etc/passwd", "a//b", "./a", "a/..", "a\0b"])
def test_a_path_that_leads_elsewhere_is_refused(bench: Bench, path: str) -> None:
    """Paths are plain and relative, or they are not opened."""
    with pytest.raises(OSError, match="Errno") as raised:
        bench.folder.open_write(path)
    assert raised.value.errno == errno.EINVAL


def test_a_link_is_never_followed(bench: Bench) -> None:
    """Neither as the file itself nor as a folder on the way to it."""
    bench.folder.make_folders("inside")
    bench.write("inside/clip.mov", b"1")
    bench.link("way", "inside")
    bench.link("clip.mov", "inside/clip.mov")

    for path in ("way/clip.mov", "clip.mov"):
        with pytest.raises(OSError, match="Errno"):
            bench.folder.open_read(path)
        with pytest.raises(OSError, match="Errno"):
            bench.folder.open_write(path)
    with pytest.raises(OSError, match="Errno"):
        bench.folder.make_folders("way/new")
    bench.folder.make_folders("tree")
    bench.link("tree/way", "../inside")
    bench.folder.remove_tree("tree")
    assert bench.read("inside/clip.mov") == b"1"


def test_a_folder_is_no_file(bench: Bench) -> None:
    """Only regular files are opened."""
    bench.folder.make_folders("folder")
    with pytest.raises(OSError, match="Errno"):
        bench.folder.open_read("folder")


def test_rename_new_never_replaces(bench: Bench) -> None:
    """A file, and even an empty folder, in the way is an error; a free name is taken."""
    bench.folder.make_folders("incoming/roll")
    bench.write("incoming/roll/clip.mov", b"1")
    bench.folder.make_folders("day/taken")
    bench.write("day/file", b"2")

    for taken in ("day/taken", "day/file"):
        with pytest.raises(FileExistsError):
            bench.folder.rename_new("incoming/roll", taken)
    bench.folder.rename_new("incoming/roll", "day/roll")

    assert bench.read("day/roll/clip.mov") == b"1"
    assert bench.folder.stat("incoming/roll") is None


def test_a_renamed_folder_is_no_longer_found_by_its_old_path(bench: Bench) -> None:
    """Folders kept open for speed do not outlive a change of names."""
    bench.folder.make_folders("old/deep")
    bench.write("old/deep/clip.mov", b"1")
    bench.folder.rename_new("old", "new")

    with pytest.raises(FileNotFoundError):
        bench.folder.open_read("old/deep/clip.mov")
    with pytest.raises(FileNotFoundError):
        bench.folder.open_write("old/deep/other.mov")


def test_replacing_a_file_leaves_only_the_new_one(bench: Bench) -> None:
    """Old or new, and nothing beside it."""
    bench.folder.replace_file("state.json", b"old")
    bench.folder.replace_file("state.json", b"new")

    assert bench.read("state.json") == b"new"
    assert [entry.name for entry in bench.folder.scan()] == ["state.json"]


def test_a_new_file_must_be_new(bench: Bench) -> None:
    """make_new_file does not touch what is there."""
    bench.folder.make_new_file("marker", b"1")
    with pytest.raises(FileExistsError):
        bench.folder.make_new_file("marker", b"2")
    assert bench.read("marker") == b"1"


def test_a_file_longer_than_expected_is_not_read(bench: Bench) -> None:
    """Memory is bounded by what the caller expects."""
    bench.write("big", bytes(100))
    with pytest.raises(OSError, match="Errno") as raised:
        bench.folder.read_file("big", bytes_max=99)
    assert raised.value.errno == errno.EFBIG


def test_removing_what_is_missing_is_fine_for_trees_only(bench: Bench) -> None:
    """A tree that is gone is gone; a file that is gone is a surprise."""
    bench.folder.make_folders("a/b/c")
    bench.write("a/b/file", b"1")
    bench.folder.remove_tree("a")
    bench.folder.remove_tree("a")
    bench.folder.remove_tree("no/where")

    assert bench.folder.scan() == []
    with pytest.raises(FileNotFoundError):
        bench.folder.remove_file("file")


def test_more_folders_than_are_kept_open_work(bench: Bench) -> None:
    """The folders kept open for speed are only a cache."""
    for number in range(KEPT_MAX + 10):
        bench.folder.make_folders(f"{number:03}")
        bench.write(f"{number:03}/file", str(number).encode())

    assert bench.read("000/file") == b"0"
    assert len(bench.folder.scan()) == KEPT_MAX + 10


def test_a_file_read_whole_leaves_no_folder_open(tmp_path: Path) -> None:
    """Manifests are read once; each roll's folder kept open would be a descriptor a roll."""
    disk = RealDisk()
    folder = disk.open_folder(str(tmp_path))
    before = psutil.Process().num_fds()
    for number in range(10):
        folder.make_folders(f"A{number:03}/ascmhl")
        folder.make_new_file(f"A{number:03}/ascmhl/0001.mhl", b"<hashlist/>")
        assert folder.read_file(f"A{number:03}/ascmhl/0001.mhl", bytes_max=100) == b"<hashlist/>"

    assert psutil.Process().num_fds() == before
    folder.close()
    disk.close()


def test_syncs_return_and_space_is_known(bench: Bench) -> None:
    """The calls that durability rests on exist on both disks."""
    bench.folder.make_folders("a")
    bench.folder.sync_folder("a")
    bench.folder.sync_folder()
    bench.folder.sync_all(())

    assert bench.folder.free_bytes() > 0
    assert bench.folder.file_system()
    assert bench.folder.is_still_at_its_path()


async def test_work_done_aside_gives_its_result_and_its_error(bench: Bench) -> None:
    """What the work raises comes to the caller."""
    assert await bench.disk.aside(max, 1, 2) == 2
    with pytest.raises(ZeroDivisionError):
        await bench.disk.aside(divmod, 1, 0)


def test_a_folder_moved_away_is_noticed(tmp_path: Path) -> None:
    """Path and open folder are compared by device and inode (real disk)."""
    (tmp_path / "storage").mkdir()
    disk = RealDisk()
    folder = disk.open_folder(str(tmp_path / "storage"))
    (tmp_path / "storage").rename(tmp_path / "moved")
    assert not folder.is_still_at_its_path()
    (tmp_path / "storage").mkdir()
    assert not folder.is_still_at_its_path()
    folder.close()
    disk.close()


def test_a_pipe_in_place_of_a_file_is_refused_without_waiting(tmp_path: Path) -> None:
    """Opening does not block on something that is no file (real disk)."""
    os.mkfifo(tmp_path / "clip.mov")
    disk = RealDisk()
    folder = disk.open_folder(str(tmp_path))
    with pytest.raises(OSError, match="not a regular file"):
        folder.open_read("clip.mov")
    folder.close()
    disk.close()


def test_a_memory_file_system_is_named_as_it_is() -> None:
    """Where nothing lies below the cache, the level says so."""
    shared = Path("/dev/shm")
    if not shared.is_dir() or file_system_of(shared.stat().st_dev, str(shared)) != "tmpfs":
        pytest.skip("no tmpfs at /dev/shm")
    path = shared / f"syncd-test-{os.getpid()}"
    path.mkdir()
    disk = RealDisk()
    folder = disk.open_folder(str(path))
    try:
        folder.make_new_file("clip.mov", b"1")
        file = folder.open_read("clip.mov", past_cache=True)
        assert file.read_level is ReadLevel.CACHED
        file.close()
    finally:
        folder.close()
        disk.close()
        (path / "clip.mov").unlink()
        path.rmdir()


def test_a_folder_is_closed_when_the_last_user_has_left_it(tmp_path: Path) -> None:
    """Closing pulls no descriptor from under a reader; who comes later is told that it is over."""
    (tmp_path / "clip").write_bytes(b"take 1")
    folder = RealDisk().open_folder(str(tmp_path))
    own = psutil.Process()
    before = own.num_fds()
    with folder._root() as fd:  # type: ignore[attr-defined]
        folder.close()
        assert os.fstat(fd).st_ino == tmp_path.stat().st_ino
        assert own.num_fds() == before
    assert own.num_fds() == before - 1
    with pytest.raises(OSError, match=os.strerror(errno.ESTALE)):
        folder.open_read("clip")
    assert not folder.is_still_at_its_path()
