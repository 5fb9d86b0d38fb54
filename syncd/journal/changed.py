"""Which rolls' rows have changed since somebody looked last, so that only those are read again.

Owns: noting them. SQLite itself tells of each changed row, whatever statement changes it: by
triggers that are the open connection's own, so the file has nothing of it.
Must not: read a roll; see kept.py.
"""

from itertools import count
from sqlite3 import Connection

from syncd.limits import CHANGED_ROLLS_MAX

_NUMBERS = count()
_EVENTS = {"INSERT": ("NEW",), "UPDATE": ("OLD", "NEW"), "DELETE": ("OLD",)}


class ChangedRolls:
    """What one reader has missed of an open journal. To be asked in Journal.read() only."""

    def __init__(self) -> None:
        self._name = f"roll_changed_{next(_NUMBERS)}"
        self._followed: Connection | None = None
        self._ids: set[str] = set()

    def since(self, db: Connection) -> frozenset[str] | None:
        """Return the ids of rolls that changed, came or went since seen(); None: any may have."""
        # What is rolled back would have been taken for what is.
        assert not db.in_transaction, "what is not committed is not to be kept"
        if self._followed is not db:  # never yet, or the file was opened anew
            self._follow(db)
            return None
        return frozenset(self._ids) if len(self._ids) <= CHANGED_ROLLS_MAX else None

    def seen(self, db: Connection) -> None:
        """Forget what since() told, which was read."""
        self._followed = db
        self._ids.clear()

    def _follow(self, db: Connection) -> None:
        db.create_function(self._name, 1, self._note)
        for event, rows in _EVENTS.items():
            noted = ", ".join(f"{self._name}({row}.roll_id)" for row in rows)
            db.execute(
                f"CREATE TEMP TRIGGER IF NOT EXISTS {self._name}_{event} AFTER {event}"
                f" ON main.roll BEGIN SELECT {noted}; END"
            )

    def _note(self, roll_id: str) -> None:
        if len(self._ids) <= CHANGED_ROLLS_MAX:  # beyond it all are read anew
            self._ids.add(roll_id)
