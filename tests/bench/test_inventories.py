"""The benchmark of inventories in small: a real daemon takes one in."""

from pathlib import Path

from tests.bench.inventories import measure
from tests.bench.offering import STEPS

FILES = 2_500  # more than one page


def test_an_inventory_is_offered_and_taken_in_whole(tmp_path: Path) -> None:
    """Each step takes some time, and what was taken in is what was offered."""
    found = measure(tmp_path, FILES, 0)

    assert all(found[step] > 0 for step in STEPS)
    assert found["message_bytes"] > FILES * len("Stills/000/A012_000000.dpx")
