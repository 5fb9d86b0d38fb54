"""Which peer takes the rolls of this box, by the config's destination and who is trusted now.

Must not: dial anybody, or choose where a person has to: rolls on the wrong storage are no joke.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from syncd.wire.peers import TrustedPeer
from syncd.wire.pulse import PAIR_REMEDY

PROCESSING = "processing"


@dataclass(frozen=True, slots=True)
class Aim:
    """The peer that takes the rolls, or None and why there is none; then rolls wait."""

    peer: TrustedPeer | None
    problem: str = ""
    remedy: str = ""


def aim(named: str, trusted: Sequence[TrustedPeer]) -> Aim:
    """Return who takes the rolls. named: as the destination says; "": the one processing box."""
    if named:
        peer = next((peer for peer in trusted if peer.name == named), None)
        problem = "" if peer else f"{named}, which takes the rolls, is not paired with this box."
        return Aim(peer, problem, "" if peer else PAIR_REMEDY)
    takers = [peer for peer in trusted if PROCESSING in peer.roles]
    if not takers:
        return Aim(None, "No processing box is paired with this box.", PAIR_REMEDY)
    if len(takers) > 1:
        names = ", ".join(sorted(peer.name for peer in takers))
        first = min(peer.name for peer in takers)
        remedy = f'Say in [[destination]] which one takes the rolls, such as peer = "{first}".'
        return Aim(None, f"{len(takers)} processing boxes are paired: {names}.", remedy)
    return Aim(takers[0])
