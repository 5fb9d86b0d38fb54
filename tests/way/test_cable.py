"""The cable of two real daemons is cut and mended: how soon it is noticed, how soon bytes move."""

import hashlib
import os
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.way.cable import Net, is_possible, joined, wait_until

NOTICED_S = 10.0
MOVES_AGAIN_S = 2.0
ROLL_BYTES = 360_000_000
RATE = "100mbit"
CUT_S = 11.0
FIRST_BYTES = 500_000  # more than all control calls of that time together

pytestmark = pytest.mark.skipif(
    not is_possible(), reason="needs root and network namespaces: real cables cannot be cut here"
)


@pytest.fixture
def net(tmp_path: Path) -> Iterator[Net]:
    """Give two daemons with a roll on its way between them."""
    with joined(tmp_path) as net:
        net.offload.shape(RATE)
        _shoot(net)
        wait_until(lambda: net.offload.roll("A012").get("moved_bytes"), 60, "the roll moves")
        yield net


def _shoot(net: Net) -> None:
    """Let a roll appear on the landing at once."""
    data = os.urandom(1 << 20) * (ROLL_BYTES >> 20)
    staged = net.folder / "staged"
    staged.mkdir()
    (staged / "A012C001.mov").write_bytes(data)
    digest = hashlib.md5(data, usedforsecurity=False).hexdigest()
    (staged / "A012.md5").write_text(f"{digest}  A012C001.mov\n")
    day = net.landing / "2026-03-14_D12"
    day.mkdir()
    staged.rename(day / "A012")


def _unnoticed(net: Net) -> list[str]:
    """Return what is still open on either box, and who still calls the other one present."""
    left = [f"{box.name}: {line}" for box in net.boxes for line in box.connections()]
    present = [box.name for box in net.boxes if box.api("peers")["peers"][0]["present"]]
    return [*left, *(f"{name} believes in its peer" for name in present)]


def _first_byte_s(net: Net) -> float:
    """Return how long it takes from now until the roll moves on."""
    before = net.offload.sent_bytes()
    return wait_until(
        lambda: net.offload.sent_bytes() > before + FIRST_BYTES, 30, "it moves on", every_s=0.01
    )


CUTS: dict[str, tuple[Callable[[Net], None], Callable[[Net], None]]] = {
    "plug-out": (lambda net: net.offload.pull(), lambda net: net.offload.plug()),
    "far-plug-out": (lambda net: net.processing.pull(), lambda net: net.processing.plug()),
    "silent": (lambda net: net.offload.drop_in_silence(), lambda net: net.offload.pass_on()),
}


@pytest.mark.parametrize("cut", CUTS)
def test_a_cut_is_noticed_and_a_mended_cable_used_at_once(net: Net, cut: str) -> None:
    """Control and lanes of both ends are closed within 10 s; new bytes come within 2 s."""
    break_it, mend_it = CUTS[cut]
    began_s = time.monotonic()
    break_it(net)
    while left := _unnoticed(net):
        assert time.monotonic() - began_s < NOTICED_S, left
    time.sleep(max(0.0, began_s + CUT_S - time.monotonic()))  # the cable stays out for so long
    mend_it(net)
    assert _first_byte_s(net) <= MOVES_AGAIN_S
    wait_until(lambda: net.offload.roll("A012")["stage"] == "ready", 120, "the roll is ready")


def test_a_cable_that_is_back_before_anybody_is_dead_is_used_at_once(net: Net) -> None:
    """After 5 s of silence TCP itself would wait for up to 5 s more."""
    net.offload.drop_in_silence()
    time.sleep(5)  # the cable stays out for so long
    net.offload.pass_on()
    assert _first_byte_s(net) <= MOVES_AGAIN_S


def test_another_address_of_the_peer_is_found_again(tmp_path: Path) -> None:
    """By discovery alone; the address that is nobody's any more holds nothing up."""
    with joined(tmp_path, discover=True) as net:
        net.offload.shape(RATE)
        _shoot(net)
        wait_until(lambda: net.offload.roll("A012").get("moved_bytes"), 90, "the roll moves")
        net.processing.set_address("10.20.0.77")
        before = net.offload.sent_bytes()
        wait_until(
            lambda: net.offload.sent_bytes() > before + 20_000_000,
            60,
            "it moves to the new address",
        )
        assert net.offload.api("peers")["peers"][0]["address"] == "10.20.0.77:8840"
