"""Parcels travel unencrypted only where both configs ask for it, and on that cable."""

import logging
from ipaddress import ip_network

import pytest

from syncd.config.shapes import ClearConfig
from syncd.handoff.unsealed import Unsealed
from syncd.wire.keys import Seal

NET = ip_network("10.20.0.0/24")
ASKS = (ClearConfig(peer="process-1", net=NET),)
HERE, ELSEWHERE = "10.20.0.2", "192.168.7.2"


@pytest.mark.parametrize(
    ("clears", "host", "theirs", "agreed"),
    [
        (ASKS, HERE, Seal.CLEAR, Seal.CLEAR),
        (ASKS, "::ffff:10.20.0.2", Seal.CLEAR, Seal.CLEAR),
        (ASKS, HERE, Seal.SEALED, Seal.SEALED),
        ((), HERE, Seal.CLEAR, Seal.SEALED),
        (ASKS, ELSEWHERE, Seal.CLEAR, Seal.SEALED),
        (ASKS, "fe80::1", Seal.CLEAR, Seal.SEALED),
        (ASKS, "process-1.local", Seal.CLEAR, Seal.SEALED),
        (ASKS, "", Seal.CLEAR, Seal.SEALED),
        ((ClearConfig(peer="edit-1", net=NET),), HERE, Seal.CLEAR, Seal.SEALED),
    ],
)
def test_both_have_to_ask_on_one_cable(
    clears: tuple[ClearConfig, ...], host: str, theirs: Seal, agreed: Seal
) -> None:
    """Whatever is missing or uncertain, it is sealed."""
    assert Unsealed(clears).agree("process-1", host, theirs) is agreed


def test_it_is_said_once_who_asks_alone_and_who_can_read(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """In the log, and for `syncd check` as long as it is so."""
    unsealed = Unsealed(ASKS)
    with caplog.at_level(logging.WARNING):
        for _ in range(3):
            unsealed.agree("process-1", HERE, Seal.SEALED)
        unsealed.agree("process-1", HERE, Seal.CLEAR)
        unsealed.agree("process-1", ELSEWHERE, Seal.CLEAR)
        unsealed.agree("edit-1", HERE, Seal.CLEAR)
        unsealed.agree("edit-1", HERE, Seal.SEALED)
    said = [message.split(": ", 1) for message in caplog.messages]
    assert said == [
        ["With process-1", "Parcels travel sealed: this box asks for clear, process-1 does not."],
        [
            "With process-1",
            "Parcels travel unencrypted: anyone on the cable 10.20.0.0/24 can read the footage.",
        ],
        [
            "With process-1",
            "Parcels travel sealed: process-1 asks for clear, this box does not for 192.168.7.2.",
        ],
        [
            "With edit-1",
            "Parcels travel sealed: edit-1 asks for clear, this box does not for 10.20.0.2.",
        ],
    ]
    assert list(unsealed.told()) == ["process-1"], "edit-1 does not ask any more"
