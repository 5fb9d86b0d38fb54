"""How often a typed code is tried, whoever asks for it."""

import os

import pytest

from syncd.wire.pairing import PairingError
from syncd.wire.pairing_code import TRIES
from syncd.wire.typed_codes import CODES_MAX, REMEMBERED_S, TypedCodes


def test_a_code_is_tried_three_times_and_others_are_not_hurt_by_it() -> None:
    """The fourth is refused, until nobody can mean it any more."""
    typed = TypedCodes(os.urandom)
    for second in range(TRIES):
        typed.check("482913", float(second))
        typed.use("482913", float(second))
    for ask in (typed.check, typed.use):
        with pytest.raises(PairingError) as caught:
            ask("482913", REMEMBERED_S)
        assert "for a new code" in caught.value.remedy
    typed.use("482914", REMEMBERED_S)
    typed.use("482913", REMEMBERED_S + TRIES)


def test_the_memory_is_bounded_and_has_no_code_in_it() -> None:
    """Of very many codes the one that was tried longest ago goes."""
    typed = TypedCodes(os.urandom)
    for number in range(CODES_MAX + 10):
        typed.use(f"{number:06}", float(number))
    assert len(typed._tries) == CODES_MAX
    assert b"000070" not in b"".join(typed._tries)
    for now_s in (100.0, 101.0):
        typed.use("000070", now_s)
    with pytest.raises(PairingError):
        typed.check("000070", 102.0)
