"""How many of something, as people write it: 1 file, 2 files; and the first of many.

Owns: the plural, and how a list ends that is cut.
Must not: format sizes (storage/amounts.py, cli/show.py).
"""

from collections.abc import Sequence


def counted(count: int, noun: str) -> str:
    """Return "1 file", "5,001 files"; noun is one whose plural ends in s."""
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"


def named(names: Sequence[str], most: int) -> str:
    """Return "a, b", or "a, b and 3 more" if there are more names than most."""
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")
