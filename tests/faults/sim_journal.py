"""A journal of which any transaction may be the last thing that a box did.

Owns: the three moments of a transaction at which a crash differs: before it, before its commit,
right after its commit. SQLite itself is real; that it keeps what it committed is tested elsewhere.
"""

import contextlib
import copy
from collections.abc import Callable, Iterator

from syncd.journal.journal import Connection, Journal, JournalError
from tests.faults.sim_disk import SimCrash

POINTS = ("before BEGIN", "before COMMIT", "after COMMIT")


class SimJournal(Journal):
    """A box's journal; each of its lives gets one that is reborn() from it, and dies with it.

    crash_in: transactions until the one that a crash strikes at crash_point; None: none.
    fails_left: so many transactions are refused as by a full disk.
    """

    is_dead = False
    died: Callable[[], None] | None = None
    crash_in: int | None = None
    crash_point = POINTS[0]
    fails_left = 0

    @contextlib.contextmanager
    def write(self) -> Iterator[Connection]:
        self._check_alive()
        if self.fails_left:
            self.fails_left -= 1
            raise JournalError("The journal cannot be written: full.", remedy="Make room.")
        if self.crash_in is not None:
            self.crash_in -= 1
        self._strike("before BEGIN")
        with super().write() as db:
            yield db
            self._strike("before COMMIT")
        self._strike("after COMMIT")

    @contextlib.contextmanager
    def read(self) -> Iterator[Connection]:
        self._check_alive()
        with super().read() as db:
            yield db

    def subscribe(self, callback: Callable[[], None]) -> Callable[[], None]:
        """Call callback as long as this life lasts: what has crashed hears nothing."""
        return super().subscribe(lambda: None if self.is_dead else callback())

    def reborn(self) -> "SimJournal":
        """Return the same journal as the next life of its box opens it.

        This one stays for tests that look on, or do what a person does, whatever has crashed.
        """
        other = copy.copy(self)
        other._subscribers = []
        self._subscribers = other._subscribers
        return other

    def _check_alive(self) -> None:
        if self.is_dead:
            raise SimCrash("the power went before a transaction")

    def _strike(self, point: str) -> None:
        if self.crash_in == 0 and self.crash_point == point:
            self.crash_in = None
            if self.died is not None:
                self.died()
            raise SimCrash(f"the power went {point}")
