"""Which digests a roll's evidence has, without reading all of its files.

Must not: open a transaction; it takes the connection of one.
"""

from sqlite3 import Connection

from syncd.journal.rows import digests_from_blob, key_of
from syncd.roll.digests import Algorithm
from syncd.roll.inventory import FileKind


def algorithms_of(db: Connection, roll_id: str) -> tuple[Algorithm, ...]:
    """Return the algorithms of the roll's first media file; none for one that has no evidence."""
    row = db.execute(
        "SELECT digests FROM file WHERE roll_key = ? AND kind = ? ORDER BY file_index LIMIT 1",
        (key_of(db, roll_id), FileKind.MEDIA),
    ).fetchone()
    return () if row is None else tuple(digest.algorithm for digest in digests_from_blob(row[0]))
