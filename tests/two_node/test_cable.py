"""The cable, while bytes move: three kinds of cut, each in its own way; another address."""

import time
from collections.abc import Callable

import pytest

from tests.two_node.node import Cut, Nodes
from tests.two_node.rolls import place
from tests.two_node.steps import (
    RATE_BYTES_PER_S,
    Sent,
    check_arrived,
    fetch,
    goes_on,
    meet,
    start_moving,
    wait_moving,
    wait_noticed,
    wait_present,
)

# From the way being whole again to the first new byte. Two seconds is what is aimed at, and
# measured in its own place; a loaded machine of two cores that runs three daemons needs room.
GOES_ON_S = 10.0


def cut_and_join(nodes: Nodes, how: Cut) -> None:
    """Cut in mid-roll until both ends have noticed, join, and see that it goes on by itself."""
    roll, sent = start_moving(nodes)
    cut_at_s = time.monotonic()
    nodes.cut(nodes.process, how)
    wait_noticed(nodes.offload, nodes.process, cut_at_s)
    wait_noticed(nodes.process, nodes.offload, cut_at_s)
    assert goes_on(nodes, lambda: nodes.join(nodes.process, how)) <= GOES_ON_S
    wait_present(nodes.offload, nodes.process)
    check_arrived(nodes, roll, sent, breaks=1)


def test_an_interface_that_vanishes_and_returns_under_another_name(nodes: Nodes) -> None:
    """The address is the same and the interface is not: found again, and the roll goes on."""
    before = _interface(nodes)
    cut_and_join(nodes, Cut.UNPLUGGED)
    assert before is None or before() == "eth1"


def test_a_link_that_goes_down_inside_the_node(nodes: Nodes) -> None:
    """The node itself sees it, its peer does not: both notice, and the roll goes on."""
    cut_and_join(nodes, Cut.LINK_DOWN)


def test_packets_that_are_dropped_and_nobody_is_told(nodes: Nodes) -> None:
    """Every interface says that all is well: both notice all the same, and the roll goes on."""
    cut_and_join(nodes, Cut.SILENT)


@pytest.mark.long
def test_a_short_silence_is_no_reason_to_begin_anew(nodes: Nodes) -> None:
    """Three seconds without a packet cost time and nothing else."""
    roll, sent = start_moving(nodes)
    nodes.cut(nodes.process, Cut.SILENT)
    time.sleep(3)  # the silence itself
    goes_on(nodes, lambda: nodes.join(nodes.process, Cut.SILENT))
    check_arrived(nodes, roll, sent, breaks=1)


def test_the_processing_node_gets_another_interface_and_address(nodes: Nodes) -> None:
    """Discovery finds it at its new address, for editorial, too; nobody changes a config."""
    roll, sent = start_moving(nodes)
    took_s = goes_on(nodes, lambda: nodes.move(nodes.process))
    assert took_s <= 2 * GOES_ON_S
    check_arrived(nodes, roll, sent, breaks=1)
    fetch(nodes, roll)


@pytest.mark.long
def test_the_cable_is_pulled_ten_times_in_one_roll(nodes: Nodes) -> None:
    """Each break costs at most what was under way."""
    meet(nodes)
    nodes.set_rate(nodes.offload, RATE_BYTES_PER_S)
    roll = place(nodes.offload, "A012", clips=28)
    sent = Sent(nodes.offload)
    for number in range(10):
        wait_moving(nodes, roll, 0.05 * (number + 1))
        nodes.cut(nodes.process, Cut.LINK_DOWN)
        time.sleep(0.5)  # long enough for packets to be lost
        nodes.join(nodes.process, Cut.LINK_DOWN)
    check_arrived(nodes, roll, sent, breaks=10)
    # TCP repeats by itself what half a second cost, so that nothing need be sent twice. Begun anew
    # at each break, it would be nearly three times as much.
    assert roll.total_bytes <= sent.total_bytes() < 2 * roll.total_bytes


def _interface(nodes: Nodes) -> Callable[[], str] | None:
    """Return what tells the name of the processing node's interface, where it has its own."""
    interface = getattr(nodes.process, "interface", None)
    return None if interface is None else interface.name
