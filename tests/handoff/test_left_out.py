"""What lies in a roll's folder and does not travel is said on both boxes."""

from typing import Any

import pytest

from syncd.journal import history
from syncd.limits import SAID_BYTES_MAX
from syncd.roll.inventory import Trust
from syncd.wire.messages import Offer
from tests.faults.scenes import clips, play, put_roll, reaches, row_of
from tests.faults.world import DAY, LANDING, Box, World

pytestmark = pytest.mark.usefixtures("small_parcels")


def _notes(box: Box) -> list[str]:
    row = row_of(box, "A012")
    assert row is not None
    with box.journal.read() as db:
        return [line.note for line in history.read(db, row.roll_id)]


@pytest.mark.parametrize("links", [0, 1, 100])
def test_links_that_are_left_out_are_told_on_the_storages_box_as_well(links: int) -> None:
    """Once, with the box that says so, and no longer than is decent."""
    world = World(1)
    with world.offload.disk.untroubled():
        folder: Any = world.offload.disk.open_folder(LANDING)  # links are not of the port
        folder.make_folders(f"{DAY}/A012/Clips")
        for number in range(links):
            folder.make_link(f"{DAY}/A012/Clips/{number:03}{'x' * 200}.mov", "/etc/hosts")
        world.offload.disk.settle()

    async def scene() -> None:
        put_roll(world, "A012", clips(world))
        await reaches(world, "A012")

    play(world, scene)
    ours = [note for note in _notes(world.offload) if "not sent" in note]
    theirs = [note for note in _notes(world.processing) if "not sent" in note]
    assert len(ours) == len(theirs) == min(links, 1)
    for note in theirs:
        assert note.startswith("offload-1: warning: not sent, as no regular file: Clips/000x")
        assert len(note.encode()) < SAID_BYTES_MAX + 100


def test_a_box_that_knows_no_such_field_takes_rolls_of_which_all_travels() -> None:
    """It would refuse an offer with it."""
    head = Offer(
        roll_id="a" * 32,
        day=DAY,
        name="A012",
        trust=Trust.EVIDENCE,
        file_count=1,
        total_bytes=1,
        parcel_count=1,
    )
    assert "left_out" not in head.to_plain()
    assert Offer.from_plain(head.to_plain()) == head
