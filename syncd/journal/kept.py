"""The rows of all rolls, kept from one question to the next.

Owns: having them as the journal has them, and in order. Reading ten thousand takes a tenth of a
second; what has changed since the last question is a few. Must not: know what they are asked for.
"""

import json
from bisect import bisect_left, insort
from sqlite3 import Connection

from syncd.journal.changed import ChangedRolls
from syncd.journal.journal import Journal
from syncd.journal.rows import RollRow, select


class KeptRolls:
    """All rolls of a journal: none in memory before the first question, about 1 kB each then."""

    def __init__(self, journal: Journal) -> None:
        self._journal = journal
        self._changed = ChangedRolls()
        self._ordered: tuple[RollRow, ...] = ()
        self._by_id: dict[str, RollRow] = {}
        self._listed: tuple[tuple[RollRow, ...], tuple[RollRow, ...]] = (), ()

    def all(self) -> tuple[RollRow, ...]:
        """Return every roll, in the order in which they go. Blocks; raises JournalError.

        What has not changed is the same object as before: a roll, and the whole.
        """
        with self._journal.read() as db:
            ids = self._changed.since(db)
            if ids is None:
                self._read_all(db)
            elif ids:
                self._read_again(db, ids)
            self._changed.seen(db)
            return self._ordered

    def listed(self) -> tuple[RollRow, ...]:
        """Return those of all() that are listed; blocks and raises as all() does."""
        rows = self.all()
        of, listed = self._listed
        if of is not rows:
            listed = tuple(row for row in rows if row.is_listed)
            self._listed = rows, listed
        return listed

    def _read_all(self, db: Connection) -> None:
        # Sorted once more: times beyond the calendar were another number in the journal's order.
        self._ordered = tuple(sorted(select(db), key=_place))
        self._by_id = {row.roll_id: row for row in self._ordered}

    def _read_again(self, db: Connection, ids: frozenset[str]) -> None:
        where = "WHERE roll_id IN (SELECT value FROM json_each(?))"
        found = select(db, where, json.dumps(sorted(ids)))
        ordered = list(self._ordered)
        for old in filter(None, map(self._by_id.get, ids)):
            del self._by_id[old.roll_id]
            del ordered[bisect_left(ordered, _place(old), key=_place)]
        for row in found:
            self._by_id[row.roll_id] = row
            insort(ordered, row, key=_place)
        self._ordered = tuple(ordered)


def _place(row: RollRow) -> tuple[int, bool, int, int, str]:
    """Return what rows.select() orders by."""
    needed_by = row.needed_by_utc_ms
    return row.rank, needed_by is None, needed_by or 0, row.arrived_utc_ms, row.roll_id
