"""Whose an unfinished roll is: the peer that offered it first, until that peer lets go of it.

Owns: what another peer that offers the same roll is told. The roll's bytes come from one box at a
time, and no other one can fill it, reorder it, hold it or let it go on. Another one takes it over
only if its owner withholds it (its source is away or wrong) or is paired no longer: a peer that
only fell silent may come back, and it is a person who says that it will not.
Either way the content becomes one roll (promise 7): who waits is told *have* once it has landed.
Must not: do I/O, or decide who is trusted; both are asked for.
"""

from collections.abc import Callable
from dataclasses import dataclass

from syncd.errors import HeldError
from syncd.journal.rolls import Origin, RollRow
from syncd.roll.stages import HeldCode
from syncd.wire.messages import OfferAnswer, OfferKind

# What only the owner can have said of an unfinished roll here: see messages.Withhold.
WITHHELD = frozenset(
    {
        HeldCode.EVIDENCE_MISMATCH,
        HeldCode.FILE_MISSING,
        HeldCode.FILE_UNLISTED,
        HeldCode.SOURCE_CHANGED,
        HeldCode.SOURCE_UNREADABLE,
    }
)


@dataclass(frozen=True, slots=True)
class Owners:
    """Tells whose a roll is. own: the name of this box.

    is_trusted, is_heard: of a peer, by its name, now.
    """

    own: str
    is_trusted: Callable[[str], bool]
    is_heard: Callable[[str], bool]

    def is_free(self, row: RollRow) -> bool:
        """Tell whether anybody may take an unfinished roll on from where it is."""
        if row.origin is not Origin.PEER:
            return False
        is_withheld = row.held is not None and row.held.code in WITHHELD
        return is_withheld or row.peer is None or not self.is_trusted(row.peer)

    def may_take(self, peer: str, row: RollRow) -> bool:
        """Tell whether a peer may go on with an unfinished roll."""
        is_its_own = row.origin is Origin.PEER and row.peer == peer
        return is_its_own or self.is_free(row)

    def why_not(self, row: RollRow) -> OfferAnswer:
        """Say to a peer that offers another one's roll what it waits for. Raises HeldError.

        The error says what a person can do about an owner that is away.
        """
        name = f"{row.day}/{row.name}" if row.day else row.name
        owner = row.peer if row.origin is Origin.PEER and row.peer else self.own
        if owner == self.own or self.is_heard(owner):
            text = f"{name} comes from {owner} just now"
            return OfferAnswer(kind=OfferKind.WAIT, message=text)
        raise HeldError(
            HeldCode.PEER_REFUSED,
            f"{name} has begun to come from {owner}, which is silent.",
            remedy=f"It goes on by itself once {owner} is back. If that box will not bring it, run "
            f"`syncd peers forget {owner}` on {self.own}: then this box may.",
        )
