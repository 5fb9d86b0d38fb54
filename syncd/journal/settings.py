"""Small facts that outlive a restart, by name."""

from sqlite3 import Connection

JOURNAL_ID_KEY = "journal_id"
IN_USE_KEY = "in_use"  # "yes" from opening to a clean end: then a -wal file belongs to it
FIRST_SEQ_KEY = "first_seq"  # notices are numbered from above this
WAL_KEY = "wal"  # which -wal file since the journal began
BOX_KEY = "box"  # fingerprint of the key of the box whose journal it is
TRIED_KEY = "tried"  # written to see whether writing works


def get(db: Connection, key: str) -> str | None:
    """Return the value kept under key, or None."""
    row = db.execute("SELECT value FROM setting WHERE key = ?", (key,)).fetchone()
    return None if row is None else str(row[0])


def put(db: Connection, key: str, value: str) -> None:
    """Keep value under key, in place of what was there."""
    db.execute(
        "INSERT INTO setting (key, value) VALUES (?1, ?2) "
        "ON CONFLICT (key) DO UPDATE SET value = ?2 WHERE value <> ?2",
        (key, value),
    )


def forget(db: Connection, pattern: str) -> None:
    """Forget what is kept under every key that fits pattern (GLOB)."""
    db.execute("DELETE FROM setting WHERE key GLOB ?", (pattern,))


def remove(db: Connection, key: str) -> None:
    """Forget what is kept under key."""
    db.execute("DELETE FROM setting WHERE key = ?", (key,))


def keys(db: Connection, pattern: str, *, limit: int) -> list[str]:
    """Return so many of the keys that fit pattern (GLOB), the least ones."""
    rows = db.execute(
        "SELECT key FROM setting WHERE key GLOB ? ORDER BY key LIMIT ?", (pattern, limit)
    )
    return [str(key) for (key,) in rows]


def journal_id(db: Connection) -> str:
    """Return what this journal is called: its notices' numbers mean nothing in another one."""
    return get(db, JOURNAL_ID_KEY) or ""
