"""Rolls that are held because something of their source cannot be read, and when they are tried.

Owns: that such a roll goes on only once what could not be read can be; that it is tried more and
more seldom; and later each time if it could be read, and then could not, again and again.
Must not: hold, release or offer; the hand-over does.
"""

from collections.abc import Collection

from syncd.errors import HeldError
from syncd.handoff.sources import Sources
from syncd.journal.rolls import RollRow
from syncd.limits import RESCAN_S, SELF_CURE_RETRY_S
from syncd.ports import Clock
from syncd.relapses import Relapses
from syncd.roll.stages import HeldCode


class Unreadable:
    """What is known of the held rolls of one hand-over. row: as the journal has it now."""

    def __init__(self, clock: Clock, sources: Sources) -> None:
        self._clock = clock
        self._sources = sources
        self._relapses = Relapses(clock)
        self._tried: dict[str, tuple[float, float]] = {}  # when last, and how long until the next

    def is_due(self, row: RollRow) -> bool:
        """Tell whether a roll may be tried now; one that is held for something else may."""
        if not _is_for_a_file(row):
            self._tried.pop(row.roll_id, None)
            return True
        tried_s, wait_s = self._tried.get(row.roll_id, (0.0, 0.0))
        is_rested = self._clock.monotonic_s() >= tried_s + wait_s
        return is_rested and self._relapses.may_go_on(row.roll_id, _why(row))

    def check(self, row: RollRow) -> None:
        """Raise HeldError if what could not be read still cannot be. Blocks.

        A folder in the roll is looked at by the landing, which walks it.
        """
        if not _is_for_a_file(row):
            return
        assert row.held is not None
        assert row.held.path is not None
        _, wait_s = self._tried.get(row.roll_id, (0.0, 0.0))
        wait_s = min(max(SELF_CURE_RETRY_S, 2 * wait_s), RESCAN_S)
        self._tried[row.roll_id] = self._clock.monotonic_s(), wait_s
        if not self._sources.probe(row.roll_id, row.held.path):
            raise HeldError(row.held.code, row.held.message, remedy="", path=row.held.path)

    def goes_on(self, row: RollRow) -> None:
        """Take note that a roll goes on by itself."""
        if _is_for_a_file(row):
            self._relapses.goes_on(row.roll_id, _why(row))

    def keep(self, roll_ids: Collection[str]) -> None:
        """Forget all other rolls."""
        self._relapses.keep(roll_ids)
        for roll_id in self._tried.keys() - set(roll_ids):
            del self._tried[roll_id]


def _is_for_a_file(row: RollRow) -> bool:
    held = row.held
    return held is not None and held.code is HeldCode.SOURCE_UNREADABLE and held.path is not None


def _why(row: RollRow) -> str:
    return "" if row.held is None else row.held.why
