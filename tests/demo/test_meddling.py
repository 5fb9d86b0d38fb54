"""The demo's bit flip: only in a file that still grows, and only one bit."""

from pathlib import Path

from syncd.demo.footage import Footage
from syncd.demo.meddling import OFFSET, PARCEL_BYTES, flip_while_growing
from syncd.demo.truth import MadeRoll


def made(tmp_path: Path) -> tuple[MadeRoll, Path, str]:
    """Make a roll with one clip of more than two parcels, and a folder in which it may grow."""
    roll = Footage(tmp_path / "card", None).camera_roll("A013", clips=1, frames=15)
    incoming = tmp_path / "incoming"
    (incoming / "Clips").mkdir(parents=True)
    return roll, incoming, next(path for path in roll.media if path.endswith(".mov"))


def test_a_growing_clip_gets_one_other_bit(tmp_path: Path) -> None:
    """With the first parcel there and the last not, one bit changes, and it is said which."""
    roll, incoming, clip = made(tmp_path)
    source = (roll.folder / clip).read_bytes()
    (incoming / clip).write_bytes(source[:PARCEL_BYTES])

    done = flip_while_growing(incoming, roll.folder, roll, 1.0)

    stored = (incoming / clip).read_bytes()
    assert done is not None
    assert (done.path, done.offset) == (clip, OFFSET)
    different = [i for i in range(PARCEL_BYTES) if stored[i] != source[i]]
    assert different == [OFFSET]
    assert (stored[OFFSET] ^ source[OFFSET]).bit_count() == 1
    assert (roll.folder / clip).read_bytes() == source


def test_a_finished_clip_is_left_alone(tmp_path: Path) -> None:
    """Its read-back may have begun: a flip there would prove nothing."""
    roll, incoming, clip = made(tmp_path)
    (incoming / clip).write_bytes((roll.folder / clip).read_bytes())

    assert flip_while_growing(incoming, roll.folder, roll, 1.0) is None
    assert (incoming / clip).read_bytes() == (roll.folder / clip).read_bytes()


def test_nothing_growing_is_said(tmp_path: Path) -> None:
    """If no clip appears in time, nothing is flipped."""
    roll, incoming, _ = made(tmp_path)

    assert flip_while_growing(incoming, roll.folder, roll, 0.05) is None
