"""Patience with files that the landing may be about to take anew while their roll is on its way.

That are lists and histories which are written again, and any file of a roll that was held and goes
on: a person may have put another one there, of which the landing has not heard.
Owns: for how long such a file may be another one than the landing took before its roll is held.
Must not: wait or hold; whoever asks does.
"""

from dataclasses import dataclass

from syncd.errors import SAY_GO, HeldError
from syncd.limits import EVIDENCE_PATIENCE_S, SELF_CURE_RETRY_S
from syncd.ports import Clock
from syncd.roll.inventory import FileKind, Inventory
from syncd.roll.stages import HeldCode

_MAY_PASS = frozenset({HeldCode.SOURCE_CHANGED, HeldCode.FILE_MISSING})
# Met again so long after the last time, it is another rewriting.
_AGAIN_S = 10 * SELF_CURE_RETRY_S


@dataclass(frozen=True, slots=True)
class _Met:
    first_s: float
    last_s: float


class Patience:
    """Remembers since when each roll's evidence has been found changed."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._met: dict[str, _Met] = {}
        self._released_s: dict[str, float] = {}

    def released(self, roll_id: str) -> None:
        """Take note that a roll which was held goes on; perhaps because a person says so."""
        self._released_s[roll_id] = self._clock.monotonic_s()

    def is_left(self, roll_id: str, inventory: Inventory | None, error: HeldError) -> bool:
        """Tell whether what went wrong is a file that the landing may be about to take anew.

        It needs a list to be still for a while, so a lane may meet the new one first.
        inventory: what the roll is read as; None if it is not open.
        """
        if inventory is None or error.code not in _MAY_PASS or SAY_GO in error.remedy:
            return False
        now_s = self._clock.monotonic_s()
        released_s = self._released_s.get(roll_id)
        if released_s is not None:
            if now_s - released_s < EVIDENCE_PATIENCE_S:
                return True
            del self._released_s[roll_id]
        if not any(e.path == error.path and e.kind is FileKind.EVIDENCE for e in inventory.files):
            return False
        met = self._met.get(roll_id)
        first_s = now_s if met is None or now_s - met.last_s > _AGAIN_S else met.first_s
        if now_s - first_s >= EVIDENCE_PATIENCE_S:
            del self._met[roll_id]
            return False
        self._met[roll_id] = _Met(first_s, now_s)
        return True
