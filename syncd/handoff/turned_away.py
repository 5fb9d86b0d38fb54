"""Rolls that paired boxes offer and this one cannot take: who offers which, and why not.

Owns: which of them stand now, in words. Must not: tell of them by itself (presence.py does, once
each); list them as rolls: one of that name here is another, and nothing is wrong with it.
On the event loop only.
"""

from collections.abc import Callable
from dataclasses import dataclass

from syncd.handoff.callers import Callers
from syncd.handoff.presence import Trouble
from syncd.limits import OFFER_STANDS_S, OFFERS_TURNED_AWAY_MAX
from syncd.ports import Clock
from syncd.roll.names import printable
from syncd.roll.stages import SELF_CURING, HeldCode
from syncd.said import brief
from syncd.wire.messages import Offer, OfferAnswer, OfferKind

NAMED_MAX = 5

# What a person may have to see to on this box; that its storage is absent is told of the storage.
_TOLD = {
    HeldCode.NAME_TAKEN: "{peer} offers another roll as {path}, a name that is taken here.",
    HeldCode.NAME_UNSAFE: "{peer} offers {path}, which cannot be kept beside what is here. {why}",
    HeldCode.STORAGE_FULL: "{peer} offers {path}, for which there is no room here. {why}",
}
_HELD_THERE = "It is held on {peer}, and what lies here stays as it is."
# In sentences: of several troubles each is said once.
_REMEDY = {
    HeldCode.NAME_TAKEN: (
        _HELD_THERE,
        "If a name is taken, find out on {peer} which of the two is right, and rename the other.",
        "Clear neither card before that.",
    ),
    HeldCode.NAME_UNSAFE: (_HELD_THERE,),
    HeldCode.STORAGE_FULL: (
        "Make room on the storage; what {peer} offers then goes on by itself.",
    ),
}


@dataclass(slots=True)
class _TurnedAway:
    peer: str
    path: str
    code: HeldCode
    why: str
    offered_s: float

    def remedies(self) -> list[str]:
        """Return what to do, a sentence or so each."""
        return [each.format(peer=self.peer) for each in _REMEDY[self.code]]

    def trouble(self) -> Trouble:
        about = {"peer": self.peer, "path": self.path, "why": self.why}
        return Trouble(
            f"offer {self.path} of {self.peer}",
            self.code.value,
            _TOLD[self.code].format(**about).strip(),
            " ".join(self.remedies()),
            self.peer,
            path=self.path,
            over=f"{self.path} of {self.peer} is taken, or not offered any more.",
        )


class Door:
    """Remembers what was turned away since this box started, until it is taken or withdrawn.

    Each peer has places of its own, and what it says ends only what it was turned away with itself.
    What is offered again by itself is withdrawn if that ends while its box is heard.
    """

    def __init__(
        self, clock: Clock, callers: Callers, is_trusted: Callable[[str], bool] = lambda _: True
    ) -> None:
        self._clock = clock
        self._callers = callers
        self._is_trusted = is_trusted
        self._away: dict[tuple[str, str], _TurnedAway] = {}  # by peer and roll id

    def note(self, peer: str, offer: Offer, answer: OfferAnswer) -> None:
        """Take note of an answer that was given."""
        key = peer, offer.roll_id
        for roll_id in offer.replaces:
            self._away.pop((peer, roll_id), None)
        if answer.kind in {OfferKind.TAKE, OfferKind.HAVE}:
            self._away.pop(key, None)
        if answer.kind is not OfferKind.REFUSE:
            return
        if answer.code not in _TOLD:
            self._away.pop(key, None)
        elif key in self._away or self._has_place(peer):
            why = brief(printable(answer.message), printable(answer.path))
            path = printable(f"{offer.day}/{offer.name}" if offer.day else offer.name)
            self._away[key] = _TurnedAway(
                peer, path, HeldCode(answer.code), why, self._clock.monotonic_s()
            )

    def withdrawn(self, peer: str, roll_id: str) -> None:
        """Take note that a peer does not offer a roll any more, or not as it is."""
        self._away.pop((peer, roll_id), None)

    def troubles(self) -> list[Trouble]:
        """Return what stands now, as troubles of this box."""
        for key, away in tuple(self._away.items()):
            if not self._stands(away):
                del self._away[key]
        return [away.trouble() for away in self._away.values()]

    def told(self) -> tuple[str, str]:
        """Say what stands now, lines for the newest of each peer, and what to do; "" if nothing."""
        troubles = self.troubles()
        lines: list[str] = []
        for peer in dict.fromkeys(each.peer for each in troubles):
            theirs = [each.message for each in troubles if each.peer == peer]
            lines += theirs[-NAMED_MAX:]
            more = len(theirs) - NAMED_MAX
            lines += [f"And {more} more of {peer}."] if more > 0 else []
        remedies = (each for away in self._away.values() for each in away.remedies())
        return "\n".join(lines), " ".join(dict.fromkeys(remedies))

    def _has_place(self, peer: str) -> bool:
        return sum(each.peer == peer for each in self._away.values()) < OFFERS_TURNED_AWAY_MAX

    def _stands(self, away: _TurnedAway) -> bool:
        if not self._is_trusted(away.peer):
            return False
        if away.code not in SELF_CURING or not self._callers.is_heard(away.peer):
            return True
        return self._clock.monotonic_s() - away.offered_s <= OFFER_STANDS_S
