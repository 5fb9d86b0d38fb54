"""What lies in a roll's folder on a landing and does not travel: links, sockets and devices.

Owns: the words for it, kept for as long as the roll is offered, so that the storage's box has them.
Must not: look at a folder; see landing/scan.py.
"""

from sqlite3 import Connection

from syncd.journal import rolls, settings
from syncd.journal.rows import plain

_KEY = "left-out:"  # followed by the roll's id


def note(db: Connection, roll_id: str, text: str, *, now_utc_ms: int) -> None:
    """Put it into a roll's history, and keep it to be told."""
    rolls.note(db, roll_id, text, now_utc_ms=now_utc_ms)
    settings.put(db, _KEY + roll_id, plain(text))


def of(db: Connection, roll_id: str) -> str:
    """Return what was said of a roll; "" if all of it travels, as far as known."""
    return settings.get(db, _KEY + roll_id) or ""
