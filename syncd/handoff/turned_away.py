"""Rolls that were offered to this box under a name that is taken here: who offers them, since when.

Owns: that it is told here, too, once for each roll, as an event, in the log and in `syncd check`.
Must not: list them as rolls: the one of that name here is another, and nothing is wrong with it.
"""

import logging
from dataclasses import dataclass

from syncd.journal import notices
from syncd.journal.journal import Journal, JournalError
from syncd.ports import Ports
from syncd.roll.stages import HeldCode
from syncd.wire.messages import Offer, OfferAnswer, OfferKind

log = logging.getLogger(__name__)

KEPT_MAX = 64
NAMED_MAX = 5


@dataclass(frozen=True, slots=True)
class TurnedAway:
    """One such roll."""

    peer: str
    path: str

    def sentence(self) -> str:
        """Say who offers what."""
        return f"{self.peer} offers another roll as {self.path}, a name that is taken here"


class Door:
    """Remembers what was turned away since this box started, until it is taken or replaced."""

    def __init__(self, journal: Journal, ports: Ports) -> None:
        self._journal = journal
        self._ports = ports
        self._away: dict[str, TurnedAway] = {}

    async def note(self, peer: str, offer: Offer, answer: OfferAnswer) -> None:
        """Take note of an answer that was given."""
        for roll_id in offer.replaces:
            self._away.pop(roll_id, None)
        if answer.kind in {OfferKind.TAKE, OfferKind.HAVE}:
            self._away.pop(offer.roll_id, None)
        if answer.code != HeldCode.NAME_TAKEN or offer.roll_id in self._away:
            return
        if len(self._away) >= KEPT_MAX:
            del self._away[next(iter(self._away))]
        away = TurnedAway(peer, f"{offer.day}/{offer.name}" if offer.day else offer.name)
        self._away[offer.roll_id] = away
        log.warning("%s. %s", away.sentence(), _remedy(peer))
        try:
            await self._ports.disk.aside(self._tell, away)
        except JournalError:
            self._away.pop(offer.roll_id, None)  # so that the next offer tells it
            raise

    def told(self) -> str:
        """Say what was turned away, a line for each, and what to do; "" if nothing was."""
        aways = list(self._away.values())
        if not aways:
            return ""
        lines = [f"{each.sentence()}." for each in aways[-NAMED_MAX:]]
        more = len(aways) - NAMED_MAX
        lines += [f"And {more} more."] if more > 0 else []
        peers = ", ".join(sorted({each.peer for each in aways}))
        return "\n".join([*lines, _remedy(peers)])

    def _tell(self, away: TurnedAway) -> None:
        now = self._ports.clock.utc_ms()
        note = f"{away.sentence()}. {_remedy(away.peer)}"
        data = {"peer": away.peer, "code": HeldCode.NAME_TAKEN.value, "path": away.path}
        with self._journal.write() as db:
            notices.add(db, None, HeldCode.NAME_TAKEN, now_utc_ms=now, note=note, data=data)


def _remedy(peer: str) -> str:
    return (
        f"It is held on {peer}, and what lies here stays as it is: find out there which of the two "
        "is right, and rename the other one. Clear neither card before that."
    )
