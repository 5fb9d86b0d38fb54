"""How many of something, in words."""

import pytest

from syncd.counted import counted


@pytest.mark.parametrize(
    ("count", "said"), [(0, "0 files"), (1, "1 file"), (2, "2 files"), (5001, "5,001 files")]
)
def test_one_is_no_plural(count: int, said: str) -> None:
    """A list with one file has 1 file."""
    assert counted(count, "file") == said
