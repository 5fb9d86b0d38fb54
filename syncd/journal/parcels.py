"""What of a roll is durable here, and which of its files were read back and found good.

Owns: durable parcels with the digests of their pieces, proofs, counted mismatches.
Must not: decide anything; storage does.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from sqlite3 import Connection

from syncd.journal.rows import digests_from_blob, digests_to_blob, key_of
from syncd.ports import ReadLevel
from syncd.roll.digests import Digest

_INDEX_MAX = (1 << 63) - 1


@dataclass(frozen=True, slots=True)
class Proof:
    """One stored file was read again and agreed with its evidence.

    digests: all that were computed from the stored bytes.
    level: how far past the page cache they were read.
    changed_ns: the change time that the file had before it was read; None: not known.
    """

    digests: tuple[Digest, ...]
    level: ReadLevel
    changed_ns: int | None = None


def record_durable(db: Connection, roll_id: str, parcels: Mapping[int, bytes]) -> None:
    """Record parcels whose bytes are on stable storage: number to 16 bytes per piece."""
    key = key_of(db, roll_id)
    db.executemany(
        "INSERT OR REPLACE INTO parcel (roll_key, number, digests) VALUES (?, ?, ?)",
        [(key, number, digests) for number, digests in parcels.items()],
    )


def durable_numbers(db: Connection, roll_id: str) -> set[int]:
    """Return the numbers of the parcels that need not travel again."""
    rows = db.execute("SELECT number FROM parcel WHERE roll_key = ?", (key_of(db, roll_id),))
    return {number for (number,) in rows}


def is_begun(db: Connection, roll_id: str) -> bool:
    """Tell whether anything of a roll ever was durable, as far as this journal knows."""
    (found,) = db.execute(
        "SELECT EXISTS (SELECT 1 FROM parcel WHERE roll_key = ?1)"
        " OR EXISTS (SELECT 1 FROM mismatch WHERE roll_key = ?1)",
        (key_of(db, roll_id),),
    ).fetchone()
    return bool(found)


def piece_digests(db: Connection, roll_id: str, numbers: Iterable[int]) -> dict[int, bytes]:
    """Return the digests recorded for those of numbers that are durable."""
    key = key_of(db, roll_id)
    found: dict[int, bytes] = {}
    for number in numbers:
        row = db.execute(
            "SELECT digests FROM parcel WHERE roll_key = ? AND number = ?", (key, number)
        ).fetchone()
        if row is not None:
            found[number] = row[0]
    return found


def forget(db: Connection, roll_id: str, numbers: Iterable[int]) -> None:
    """Let parcels travel again."""
    key = key_of(db, roll_id)
    db.executemany(
        "DELETE FROM parcel WHERE roll_key = ? AND number = ?", [(key, n) for n in numbers]
    )


def recut(
    db: Connection, roll_id: str, durable: Mapping[int, bytes], file_indexes: Mapping[int, int]
) -> None:
    """Record a roll's parcels and files under the numbers that they have in another inventory.

    durable: the parcels of the new cut that need not travel, as for record_durable().
    file_indexes: new by old, of the files that stay; what is known of others is forgotten.
    """
    key = key_of(db, roll_id)
    db.execute("DELETE FROM parcel WHERE roll_key = ?", (key,))
    record_durable(db, roll_id, durable)
    for select, delete, insert in _BY_FILE:
        rows = db.execute(select, (key,)).fetchall()
        db.execute(delete, (key,))
        kept = [(key, file_indexes[old], *rest) for old, *rest in rows if old in file_indexes]
        db.executemany(insert, kept)


_BY_FILE = (
    (
        "SELECT file_index, digests, level, proved_utc_ms FROM proof WHERE roll_key = ?",
        "DELETE FROM proof WHERE roll_key = ?",
        "INSERT INTO proof VALUES (?, ?, ?, ?, ?)",
    ),
    (
        "SELECT file_index, changed_ns FROM good_at WHERE roll_key = ?",
        "DELETE FROM good_at WHERE roll_key = ?",
        "INSERT INTO good_at VALUES (?, ?, ?)",
    ),
    (
        "SELECT file_index, count FROM mismatch WHERE roll_key = ?",
        "DELETE FROM mismatch WHERE roll_key = ?",
        "INSERT INTO mismatch VALUES (?, ?, ?)",
    ),
)


def record_proved(
    db: Connection, roll_id: str, proved: Mapping[int, Proof], *, now_utc_ms: int
) -> None:
    """Record files that were read back and found good, by their index in the inventory."""
    key = key_of(db, roll_id)
    db.executemany(
        "INSERT OR REPLACE INTO proof (roll_key, file_index, digests, level, proved_utc_ms)"
        " VALUES (?, ?, ?, ?, ?)",
        [
            (key, index, digests_to_blob(proof.digests), proof.level.value, now_utc_ms)
            for index, proof in proved.items()
        ],
    )
    known = {i: proof.changed_ns for i, proof in proved.items() if proof.changed_ns is not None}
    record_change_times(db, roll_id, known)


def record_change_times(db: Connection, roll_id: str, changed_ns: Mapping[int, int]) -> None:
    """Record the change times that files had when they were last read and found good."""
    key = key_of(db, roll_id)
    db.executemany(
        "INSERT OR REPLACE INTO good_at (roll_key, file_index, changed_ns) VALUES (?, ?, ?)",
        [(key, index, time_ns) for index, time_ns in changed_ns.items()],
    )


def change_times(db: Connection, roll_id: str) -> dict[int, int]:
    """Return what record_change_times() was told of a roll, by file index."""
    rows = db.execute(
        "SELECT file_index, changed_ns FROM good_at WHERE roll_key = ?", (key_of(db, roll_id),)
    )
    return dict(rows.fetchall())


def proofs(
    db: Connection, roll_id: str, first: int = 0, count: int | None = None
) -> dict[int, Proof]:
    """Return the proofs of a roll by file index: all, or those of count files from first on."""
    last = _INDEX_MAX if count is None else first + count - 1
    rows = db.execute(
        "SELECT file_index, digests, level, changed_ns FROM proof"
        " LEFT JOIN good_at USING (roll_key, file_index)"
        " WHERE roll_key = ? AND file_index BETWEEN ? AND ? ORDER BY file_index",
        (key_of(db, roll_id), first, last),
    )
    return {
        index: Proof(digests_from_blob(digests), ReadLevel(level), changed_ns)
        for index, digests, level, changed_ns in rows
    }


def proved_files(db: Connection, roll_id: str) -> list[int]:
    """Return the indexes of the files of a roll that have a proof with a change time."""
    rows = db.execute(
        "SELECT file_index FROM proof JOIN good_at USING (roll_key, file_index) WHERE roll_key = ?",
        (key_of(db, roll_id),),
    )
    return [index for (index,) in rows]


def proof_levels(db: Connection, roll_id: str) -> set[ReadLevel]:
    """Return the levels that occur among the proofs of a roll."""
    rows = db.execute("SELECT DISTINCT level FROM proof WHERE roll_key = ?", (key_of(db, roll_id),))
    return {ReadLevel(level) for (level,) in rows}


def forget_proofs(db: Connection, roll_id: str, file_indexes: Iterable[int]) -> None:
    """Have files read back again."""
    key = key_of(db, roll_id)
    db.executemany(
        "DELETE FROM proof WHERE roll_key = ? AND file_index = ?",
        [(key, index) for index in file_indexes],
    )


def count_mismatch(db: Connection, roll_id: str, file_index: int) -> int:
    """Count one more failed read-back of a file and return how many it has had."""
    db.execute(
        "INSERT INTO mismatch (roll_key, file_index, count) VALUES (?, ?, 1)"
        " ON CONFLICT (roll_key, file_index) DO UPDATE SET count = count + 1",
        (key_of(db, roll_id), file_index),
    )
    return mismatches(db, roll_id, file_index)


def mismatches(db: Connection, roll_id: str, file_index: int) -> int:
    """Return how many failed read-backs a file has had."""
    row = db.execute(
        "SELECT count FROM mismatch WHERE roll_key = ? AND file_index = ?",
        (key_of(db, roll_id), file_index),
    ).fetchone()
    return 0 if row is None else int(row[0])
