"""Who may ask what: which role of the asker, and which of this box, each question needs.

Owns: the table. What is not in it is refused, so a new question is answered to nobody until
somebody decides who may ask it (test_authority.py misses it, too). A processing box asks nothing
but greetings yet; what it will claim, and the dailies that it will register, get their lines here.
Must not: do I/O, or know who is trusted; a peer's roles are those that it was paired with here, and
never what it says of itself.
"""

from dataclasses import dataclass

from syncd.errors import UnfitError
from syncd.wire.announcement import ROLES
from syncd.wire.messages import (
    Called,
    Doubt,
    FetchedReport,
    Hello,
    InventoryPage,
    InventoryQuestion,
    Listing,
    Message,
    Offer,
    OpenLane,
    PeerIdentity,
    Speed,
    Tidings,
    Withhold,
)

OFFLOAD, PROCESSING, EDITORIAL = ROLES
SEND, FETCH, SPEED = "send", "fetch", "speed"


class NotAllowedError(UnfitError):
    """A paired peer asks for what its role does not allow, or for what is another peer's."""

    code = "not-allowed"


@dataclass(frozen=True, slots=True)
class Right:
    """What one kind of question is for, who may ask it, and what this box must be to answer."""

    what: str
    askers: frozenset[str]
    here: frozenset[str]


def _right(what: str, *askers: str) -> Right:
    return Right(what, frozenset(askers), frozenset({PROCESSING}))


RIGHTS: dict[type[Message], Right] = {
    Hello: Right("greet", frozenset(ROLES), frozenset(ROLES)),
    Offer: _right("offer rolls", OFFLOAD),
    InventoryPage: _right("offer rolls", OFFLOAD),
    Withhold: _right("withhold rolls", OFFLOAD),
    Called: _right("name rolls", OFFLOAD),
    Tidings: _right("ask what became of its rolls", OFFLOAD),
    OpenLane: _right("open lanes", OFFLOAD, EDITORIAL),
    Listing: _right("list ready rolls", EDITORIAL),
    InventoryQuestion: _right("read ready rolls", EDITORIAL),
    FetchedReport: _right("report fetched rolls", EDITORIAL),
    Doubt: _right("have ready rolls read again", EDITORIAL),
    Speed: _right("measure this box", OFFLOAD),
}
LANES: dict[str, Right] = {
    SEND: _right("send rolls", OFFLOAD),
    FETCH: _right("fetch ready rolls", EDITORIAL),
    SPEED: _right("measure the cable", OFFLOAD),
}
_DENIED = Right("ask this", frozenset(), frozenset())


def check_kind(peer: PeerIdentity, kind: type[Message], own: str, here: frozenset[str]) -> None:
    """Raise NotAllowedError unless peer may ask questions of this kind at all.

    own: the name of this box. here: its roles.
    """
    _check(peer, RIGHTS.get(kind, _DENIED), own, here)


def check_question(peer: PeerIdentity, question: Message, own: str, here: frozenset[str]) -> None:
    """Raise NotAllowedError unless peer may ask this."""
    check_kind(peer, type(question), own, here)
    if isinstance(question, OpenLane):
        check_lane(peer, question.purpose, own, here)


def check_lane(peer: PeerIdentity, purpose: str, own: str, here: frozenset[str]) -> None:
    """Raise NotAllowedError unless peer may have a lane for this."""
    _check(peer, LANES.get(purpose, _DENIED), own, here)


def _check(peer: PeerIdentity, right: Right, own: str, here: frozenset[str]) -> None:
    if not peer.roles & right.askers:
        needed = " or ".join(sorted(right.askers)) or "any"
        raise NotAllowedError(
            f"{peer.name} may not {right.what} here: on {own} it has the role "
            f"{_listed(peer.roles)}, and that needs {needed}.",
            remedy=f"If it is to do so, put the role in node.roles on {peer.name}, run `syncd peers"
            f" forget {peer.name}` on {own}, and pair again; or mend roles of its [[peer]] there.",
        )
    if not here & right.here:
        needed = " or ".join(sorted(right.here))
        raise NotAllowedError(
            f"{own} has the role {_listed(here)}, and only a box that is {needed} can let others "
            f"{right.what}.",
            remedy=f"Ask a box with the role {needed}: name it as the destination's peer, or pair "
            "with it to fetch from it.",
        )


def _listed(roles: frozenset[str]) -> str:
    return ", ".join(sorted(roles)) or "none"
