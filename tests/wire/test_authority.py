"""Who may ask what: every question has its line in the table, and what has none is refused."""

from dataclasses import dataclass

import pytest

from syncd.wire import authority
from syncd.wire.authority import (
    EDITORIAL,
    LANES,
    OFFLOAD,
    PROCESSING,
    RIGHTS,
    NotAllowedError,
    check_kind,
    check_lane,
    check_question,
)
from syncd.wire.messages import (
    QUESTION_NAMES,
    QUESTIONS,
    Hello,
    Message,
    Offer,
    OpenLane,
    PeerIdentity,
    _schema,
)

HERE = frozenset({PROCESSING})
EVERYBODY = frozenset({OFFLOAD, PROCESSING, EDITORIAL})

# Issue by issue, in words: what each role asks of a processing box. A change here is a decision.
MAY = {
    OFFLOAD: {
        *("hello", "offer", "inventory-page", "withhold", "called", "tidings", "open-lane"),
        "speed",
    },
    EDITORIAL: {"hello", "listing", "inventory", "fetched", "doubt", "open-lane"},
    PROCESSING: {"hello"},
}


def _peer(*roles: str) -> PeerIdentity:
    return PeerIdentity("offload-1", "sha256:" + "ab" * 32, "10.20.0.1", frozenset(roles))


def _allowed(roles: tuple[str, ...], here: frozenset[str] = HERE) -> set[str]:
    found = set()
    for name, kind in QUESTIONS.items():
        try:
            check_kind(_peer(*roles), kind, "process-1", here)
        except NotAllowedError:
            continue
        found.add(name)
    return found


def test_every_question_is_in_the_table() -> None:
    """A new question needs a decision who may ask it."""
    assert set(RIGHTS) == set(QUESTIONS.values())
    assert set(LANES) == set(_schema(OpenLane)["purpose"].allowed)  # type: ignore[attr-defined]


@pytest.mark.parametrize("role", sorted(MAY))
def test_each_role_may_ask_what_it_is_for(role: str) -> None:
    """Nothing more, and nothing less."""
    assert _allowed((role,)) == MAY[role]


def test_several_roles_may_ask_what_each_may() -> None:
    """A box that offloads and edits does both."""
    assert _allowed((OFFLOAD, EDITORIAL)) == MAY[OFFLOAD] | MAY[EDITORIAL]


def test_a_peer_without_a_role_may_not_even_greet() -> None:
    """Whoever forgets to say which roles a peer has, gives it none."""
    assert _allowed(()) == set()
    assert PeerIdentity("offload-1", "sha256:" + "ab" * 32, "").roles == frozenset()


@pytest.mark.parametrize("here", [OFFLOAD, EDITORIAL])
def test_a_box_that_is_no_storage_answers_greetings_only(here: str) -> None:
    """Whatever roles the asker has."""
    assert _allowed(tuple(EVERYBODY), frozenset({here})) == {"hello"}


def test_a_question_that_is_not_in_the_table_is_refused() -> None:
    """To everybody."""

    @dataclass(frozen=True, slots=True, kw_only=True)
    class Erase(Message):
        """Not in the table."""

    with pytest.raises(NotAllowedError):
        check_kind(_peer(*EVERYBODY), Erase, "process-1", EVERYBODY)
    with pytest.raises(NotAllowedError):
        check_lane(_peer(*EVERYBODY), "erase", "process-1", EVERYBODY)


@pytest.mark.parametrize(
    ("role", "purpose"),
    [(OFFLOAD, "fetch"), (EDITORIAL, "send"), (PROCESSING, "send"), (EDITORIAL, "speed")],
)
def test_a_lane_is_opened_for_what_the_role_is_for(role: str, purpose: str) -> None:
    """Offload sends, editorial fetches; the other way about is refused."""
    with pytest.raises(NotAllowedError):
        check_question(_peer(role), OpenLane(purpose=purpose), "process-1", HERE)
    with pytest.raises(NotAllowedError):
        check_lane(_peer(role), purpose, "process-1", HERE)


@pytest.mark.parametrize(
    ("role", "purpose"), [(OFFLOAD, "send"), (EDITORIAL, "fetch"), (OFFLOAD, "speed")]
)
def test_a_lane_that_the_role_is_for_is_opened(role: str, purpose: str) -> None:
    """No error, neither when it is asked for nor when it rides."""
    check_question(_peer(role), OpenLane(purpose=purpose), "process-1", HERE)
    check_lane(_peer(role), purpose, "process-1", HERE)


def test_a_refusal_says_who_what_and_what_to_do() -> None:
    """The box that asks is shown this, by way of the answer."""
    with pytest.raises(NotAllowedError) as refused:
        check_kind(_peer(EDITORIAL), Offer, "process-1", HERE)
    assert "offload-1 may not offer rolls here" in refused.value.problem
    assert "role editorial" in refused.value.problem
    assert "needs offload" in refused.value.problem
    assert "syncd peers forget offload-1" in refused.value.remedy
    with pytest.raises(NotAllowedError, match="only a box that is processing") as refused:
        check_kind(_peer(OFFLOAD), Offer, "edit-1", frozenset({EDITORIAL}))
    assert "role processing" in refused.value.remedy


def test_roles_are_called_as_everywhere() -> None:
    """The words of the config and of announcements."""
    assert (OFFLOAD, PROCESSING, EDITORIAL) == ("offload", "processing", "editorial")
    assert QUESTION_NAMES[Hello] == "hello"
    assert authority.RIGHTS[Hello].askers == EVERYBODY
