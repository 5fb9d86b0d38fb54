"""A benchmark leaves nothing behind, takes no room that is not there, and times a real hand-off."""

from pathlib import Path

import pytest

from tests.bench.handing import SEALED, hand_off
from tests.bench.staging import make_roll
from tests.bench.workplace import MEMORY, check_room, room_bytes, workplace
from tests.two_node.leftovers import PREFIX


def test_a_workplace_goes_with_its_run_and_after_a_killed_one(tmp_path: Path) -> None:
    """However it ends."""
    left = tmp_path / f"{PREFIX}4194999-1"  # above every process id: 2^22 at most, proc(5)
    left.mkdir()

    with pytest.raises(SystemExit), workplace(tmp_path) as folder:  # noqa: PT012
        (folder / "clip").write_bytes(b"x")
        assert not left.exists()
        raise SystemExit

    assert list(tmp_path.iterdir()) == []


def test_room_that_is_not_there_is_said_before_it_is_used() -> None:
    """Memory has no more room than is free, whatever the file system claims."""
    with pytest.raises(SystemExit, match=r"GB are needed\. Make room"):
        check_room(MEMORY, room_bytes(MEMORY) + (1 << 40))


def test_a_hand_off_is_timed_and_the_roll_is_back_for_the_next_round() -> None:
    """Real daemons; afterwards nothing of them is left."""
    with workplace(MEMORY) as folder:
        staged = folder / "staged"
        make_roll(staged, 1 << 20, 3)
        before = {path: path.read_bytes() for path in staged.rglob("*") if path.is_file()}

        assert 0 < hand_off(staged, folder, SEALED)[SEALED] < 60

        assert {path: path.read_bytes() for path in staged.rglob("*") if path.is_file()} == before
        assert list(folder.iterdir()) == [staged]
