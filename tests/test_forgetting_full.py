"""Forgetting and pairing while the disk of the state folder is full; real disk, real daemons."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from syncd.limits import MIB
from tests.boxes import Box, wait_until
from tests.faults.real_mounts import SmallDisk, why_no_loop
from tests.test_pairing import Set, peers_of

pytestmark = pytest.mark.skipif(bool(why_no_loop()), reason=why_no_loop() or "it can be mounted")


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[SmallDisk]:
    """Give a small disk."""
    with SmallDisk(tmp_path / "disk", 16 * MIB) as made:
        yield made


@pytest.fixture
def boxes(tmp_path: Path, disk: SmallDisk) -> Iterator[Set]:
    """Give two running boxes; the workstation has its state on the small disk."""
    made = Set(tmp_path / "boxes")
    (made.pair.processing.folder / "state").symlink_to(disk.path)
    with made.pair:
        yield made


def fill(disk: SmallDisk) -> None:
    """Leave no block free, also none that is too small for the large file."""
    disk.fill()
    with (disk.path / "crumbs").open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(1024))
        except OSError:
            return


def make_room(disk: SmallDisk) -> None:
    """Undo fill()."""
    for name in ("filler", "crumbs"):
        (disk.path / name).unlink()


def trust_checks(box: Box) -> list[tuple[bool, str]]:
    """Return what the running daemon says of trust."""
    checks = box.api("status")["checks"]
    return [(check["ok"], check["message"]) for check in checks if check["name"] == "trust"]


def test_who_is_forgotten_on_a_full_disk_is_cut_and_stays_so_once_there_is_room(
    boxes: Set, disk: SmallDisk
) -> None:
    """What is said is what is so, and no start after it trusts the box again."""
    box = boxes.pair.processing
    boxes.pairs()
    fill(disk)
    gone = boxes.process.types("peers", "forget", "offload-1")
    assert gone.returncode == 75
    assert "offload-1: cut now; trusted again after a start" in gone.stderr
    assert "Nothing was moved" not in gone.stderr
    assert not peers_of(box)
    checked = boxes.process.types("check").stdout
    assert "WRONG  daemon: trust" in checked
    assert "ok     trust" not in checked

    make_room(disk)
    wait_until(lambda: not trust_checks(box), 30, "it is kept")
    box.kill()
    box.start()
    assert not peers_of(box)


def test_a_box_that_cannot_keep_whom_it_is_paired_with_says_what_is_so(
    boxes: Set, disk: SmallDisk
) -> None:
    """Neither has kept anything; nothing is tried again by itself."""
    fill(disk)
    with boxes.process.shows() as shown:
        boxes.offload.types("pair", *shown.code.split(), *boxes.at)
        code, _, err = shown.ends()
    assert code != 0
    assert "offload-1 is not paired with this box" in err
    assert "tried again by itself" not in err
    assert not peers_of(boxes.pair.processing)
    assert not peers_of(boxes.pair.offload)


def test_a_code_that_is_typed_on_a_box_that_cannot_write_is_not_used_up(
    boxes: Set, disk: SmallDisk
) -> None:
    """It is looked for room before anything is proved; the same code does once there is some."""
    fill(disk)
    at = ("--with", f"127.0.0.1:{boxes.pair.offload.control}")
    with boxes.offload.shows() as shown:
        typed = boxes.process.types("pair", *shown.code.split(), *at)
        assert typed.returncode == 75
        assert "has proved nothing to it" in typed.stderr
        assert "tried again by itself" not in typed.stderr
        for box in (boxes.pair.processing, boxes.pair.offload):
            assert not peers_of(box)
        make_room(disk)
        typed = boxes.process.types("pair", *shown.code.split(), *at)
        assert (typed.returncode, shown.ends()[0]) == (0, 0), typed.stderr
    for box in (boxes.pair.processing, boxes.pair.offload):
        assert len(peers_of(box)) == 1
    assert not list(disk.path.glob(".trusted.json*"))
