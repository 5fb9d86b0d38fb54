"""How many of something, in words."""

import pytest

from syncd.counted import counted, named


@pytest.mark.parametrize(
    ("count", "said"), [(0, "0 files"), (1, "1 file"), (2, "2 files"), (5001, "5,001 files")]
)
def test_one_is_no_plural(count: int, said: str) -> None:
    """A list with one file has 1 file."""
    assert counted(count, "file") == said


@pytest.mark.parametrize(
    ("most", "said"),
    [(1, "A012 and 2 more"), (2, "A012, B007 and 1 more"), (3, "A012, B007, S003")],
)
def test_of_many_the_first_are_named(most: int, said: str) -> None:
    """The others are counted, and nothing is said of none."""
    assert named(["A012", "B007", "S003"], most) == said
