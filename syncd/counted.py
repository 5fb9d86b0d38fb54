"""How many of something, as people write it: 1 file, 2 files.

Owns: the plural. Must not: format sizes (storage/amounts.py, cli/show.py).
"""


def counted(count: int, noun: str) -> str:
    """Return "1 file", "5,001 files"; noun is one whose plural ends in s."""
    return f"{count:,} {noun}" if count == 1 else f"{count:,} {noun}s"
