"""Rolls that were held or released without a word, as there had been too many words of late.

Owns: which they are, until how they are now is told in one notice. Must not: decide how many words
are too many (handoff/changes.py).
"""

from sqlite3 import Connection

from syncd.journal import settings

_KEY = "untold:"  # followed by the roll's id


def add(db: Connection, roll_id: str) -> None:
    """Note that it is still to be told how a roll is."""
    settings.put(db, _KEY + roll_id, "yes")


def told(db: Connection, roll_id: str) -> None:
    """Note that it was told."""
    settings.remove(db, _KEY + roll_id)


def is_waiting(db: Connection, roll_id: str) -> bool:
    """Tell whether it is still to be told how a roll is."""
    return settings.get(db, _KEY + roll_id) is not None


def some(db: Connection, *, limit: int) -> list[str]:
    """Return the ids of so many rolls of which it is still to be told how they are."""
    return [key.removeprefix(_KEY) for key in settings.keys(db, f"{_KEY}*", limit=limit)]
