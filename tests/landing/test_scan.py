"""Looking at a landing, on a real disk."""

import errno
import os
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest

from syncd.edges.disk import RealDisk, RealFolder
from syncd.landing.scan import FoundRoll, ScanFailed, find_rolls, scan_roll
from syncd.ports import Entry, Folder
from tests.landing.samples import DAY, touch_again, write_clips


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Folder]:
    """Open tmp_path as a landing."""
    opened = RealDisk().open_folder(str(tmp_path))
    yield opened
    opened.close()


def test_rolls_are_the_folders_that_the_pattern_takes(tmp_path: Path, folder: Folder) -> None:
    """DAY/ROLL, one pattern a level; files, hidden folders and droppings are none."""
    for path in (f"{DAY}/A012", f"{DAY}/S003", f"{DAY}/.cache", "lost+found/x", ".Trashes/501"):
        (tmp_path / path).mkdir(parents=True)
    (tmp_path / DAY / "notes.txt").write_text("x")

    assert find_rolls(folder) == [
        FoundRoll(DAY, "A012", f"{DAY}/A012"),
        FoundRoll(DAY, "S003", f"{DAY}/S003"),
    ]
    assert [roll.name for roll in find_rolls(folder, "2026-*/A*")] == ["A012"]


def test_a_pattern_may_be_deeper_or_shallower(tmp_path: Path, folder: Folder) -> None:
    """The last level is the roll and the one above it the day, wherever they lie."""
    (tmp_path / "cam" / DAY / "A012").mkdir(parents=True)

    assert find_rolls(folder, "cam/*/*") == [FoundRoll(DAY, "A012", f"cam/{DAY}/A012")]
    assert find_rolls(folder, "*") == [FoundRoll("", "cam", "cam")]


def test_links_are_listed_and_never_entered(tmp_path: Path, folder: Folder) -> None:
    """A link to a parent would never end, and one to elsewhere would leave the roll."""
    roll = write_clips(tmp_path, "A012")
    (roll / "loop").symlink_to(roll, target_is_directory=True)
    (roll / "CLIPS" / "link.mov").symlink_to("/etc/hosts")
    (tmp_path / DAY / "A013").symlink_to(roll, target_is_directory=True)

    scan = scan_roll(folder, f"{DAY}/A012")

    assert scan.others == ("CLIPS/link.mov", "loop")
    assert [file.path for file in scan.files] == ["CLIPS/A012C001.mov", "CLIPS/A012C002.mov"]
    assert [found.name for found in find_rolls(folder)] == ["A012"]


def test_sockets_and_pipes_are_listed_and_never_opened(tmp_path: Path, folder: Folder) -> None:
    """Reading a pipe would wait for ever."""
    roll = write_clips(tmp_path, "A012")
    os.mkfifo(roll / "pipe")
    listener = socket.socket(socket.AF_UNIX)
    here = os.open(roll, os.O_RDONLY)
    try:
        listener.bind(f"/proc/self/fd/{here}/socket")
        scan = scan_roll(folder, f"{DAY}/A012")
    finally:
        os.close(here)
        listener.close()

    assert scan.others == ("pipe", "socket")


def test_droppings_are_left_out_and_named(tmp_path: Path, folder: Folder) -> None:
    """A folder of them stands for all that is below it."""
    roll = write_clips(tmp_path, "A012")
    (roll / ".DS_Store").write_bytes(b"x")
    (roll / "CLIPS" / "._A012C001.mov").write_bytes(b"x")
    (roll / ".Spotlight-V100" / "Store").mkdir(parents=True)

    scan = scan_roll(folder, f"{DAY}/A012")

    assert scan.dropped == (".DS_Store", ".Spotlight-V100", "CLIPS/._A012C001.mov")
    assert scan.folders == ("CLIPS",)
    assert [file.path for file in scan.dropped_files] == [".DS_Store", "CLIPS/._A012C001.mov"]


def test_lists_beside_the_roll_are_seen(tmp_path: Path, folder: Folder) -> None:
    """A checksum list may lie in the day's folder; its arrival changes the signature."""
    write_clips(tmp_path, "A012")
    before = scan_roll(folder, f"{DAY}/A012")
    (tmp_path / DAY / "A012.md5").write_text("x")

    after = scan_roll(folder, f"{DAY}/A012")

    assert before.beside == ()
    assert [file.path for file in after.beside] == ["A012.md5"]
    assert after.signature != before.signature


@pytest.mark.parametrize("change", ["content", "new file", "gone", "replaced", "new folder"])
def test_every_change_shows_in_the_signature(tmp_path: Path, folder: Folder, change: str) -> None:
    """Size, time, inode and names: nothing changed is one comparison."""
    clip = write_clips(tmp_path, "A012") / "CLIPS" / "A012C001.mov"
    before = scan_roll(folder, f"{DAY}/A012").signature
    assert scan_roll(folder, f"{DAY}/A012").signature == before

    match change:
        case "content":
            touch_again(clip, clip.read_bytes())
        case "new file":
            (clip.parent / "new.mov").touch()
        case "gone":
            clip.unlink()
        case "replaced":
            stamp = clip.stat().st_mtime_ns
            other = clip.with_name("other")
            other.write_bytes(clip.read_bytes())
            other.rename(clip)
            os.utime(clip, ns=(stamp, stamp))
        case "new folder":
            (clip.parent / "SUB").mkdir()

    assert scan_roll(folder, f"{DAY}/A012").signature != before


def test_a_failed_listing_is_unknown_and_never_empty(tmp_path: Path, folder: Folder) -> None:
    """A slow share that looks empty for a moment must not make us forget a roll."""
    write_clips(tmp_path, "A012")

    failing = _Failing(str(tmp_path))
    failing.failing = f"{DAY}/A012/CLIPS"
    with pytest.raises(ScanFailed) as caught:
        scan_roll(failing, f"{DAY}/A012")

    assert caught.value.path == f"{DAY}/A012/CLIPS"
    assert "Input/output error" in str(caught.value)
    failing.failing = DAY
    with pytest.raises(ScanFailed):
        find_rolls(failing)
    failing.close()
    with pytest.raises(ScanFailed):
        scan_roll(folder, f"{DAY}/B007")


def test_names_that_are_no_utf8_survive_a_scan(tmp_path: Path, folder: Folder) -> None:
    """They are found as they are; that they are unsafe is for others to say."""
    roll = write_clips(tmp_path, "A012", {"a.mov": b"1"})
    (Path(os.fsdecode(os.fsencode(roll) + b"/bad\xff.mov"))).write_bytes(b"2")

    paths = [file.path for file in scan_roll(folder, f"{DAY}/A012").files]

    assert paths == ["a.mov", "bad\udcff.mov"]


class _Failing(RealFolder):
    """A folder in which one listing fails, as a share does that stopped answering."""

    failing = ""

    def scan(self, path: str = "") -> list[Entry]:
        if path == self.failing:
            raise OSError(errno.EIO, os.strerror(errno.EIO), path)
        return super().scan(path)
