"""Power, while bytes move: daemons killed, restarted, frozen, and the whole set at once."""

import time

import pytest

from tests.two_node.node import Node, Nodes
from tests.two_node.rolls import Roll, place
from tests.two_node.steps import (
    RATE_BYTES_PER_S,
    Sent,
    check_arrived,
    check_logs,
    fetch,
    goes_on,
    meet,
    start_moving,
    wait_moving,
    wait_noticed,
    wait_present,
)

PAUSE_S, LONG_PAUSE_S = 15.0, 60.0


def test_either_end_of_the_hand_off_is_killed(nodes: Nodes) -> None:
    """One after the other, in one roll: what was confirmed is there, and the rest is sent."""
    roll, sent = start_moving(nodes, share=0.4)
    nodes.process.kill()
    nodes.process.start()
    wait_moving(nodes, roll, 0.75)
    sent.kill()
    nodes.offload.start()
    check_arrived(nodes, roll, sent, breaks=2)


def test_the_editorial_node_is_killed(nodes: Nodes) -> None:
    """The fetch that the person asked for goes on by itself after the restart."""
    meet(nodes)
    roll = place(nodes.offload, "A012", clips=10)
    check_arrived(nodes, roll, Sent(nodes.offload), breaks=0)
    nodes.set_rate(nodes.process, RATE_BYTES_PER_S)
    rushes = f"{nodes.edit.places.media}/rushes"
    code, _, said = nodes.edit.syncd("fetch", "A012", "--to", rushes, "--no-wait")
    assert code == 0, said
    _wait_fetching(nodes.edit, roll)
    nodes.edit.kill()
    nodes.edit.start()
    fetch(nodes, roll)
    check_logs(nodes)


def test_a_service_restart_of_either(nodes: Nodes) -> None:
    """Stopped and started by the machine's own means, one after the other, in one roll."""
    roll, sent = start_moving(nodes, share=0.3)
    nodes.process.restart()
    nodes.process.wait_up()
    wait_moving(nodes, roll, 0.6)
    sent.close_account()
    nodes.offload.restart()
    nodes.offload.wait_up()
    check_arrived(nodes, roll, sent, breaks=2)


def test_the_processing_node_is_frozen_for_a_while(nodes: Nodes) -> None:
    """A box that answers no more is noticed; when it goes on, so does the roll."""
    _freeze(nodes, nodes.process, PAUSE_S)


@pytest.mark.long
@pytest.mark.parametrize("which", ["offload", "process"])
def test_a_node_is_frozen_for_a_minute(nodes: Nodes, which: str) -> None:
    """As above, for longer, and either of them."""
    _freeze(nodes, getattr(nodes, which), LONG_PAUSE_S)


def test_the_power_of_the_whole_set_goes(nodes: Nodes) -> None:
    """All are killed in the same moment and started together: it goes on."""
    roll, sent = start_moving(nodes)
    sent.close_account()
    for node in nodes.all:
        node.kill()
    nodes.start()
    check_arrived(nodes, roll, sent, breaks=1)
    fetch(nodes, roll)


def _freeze(nodes: Nodes, node: Node, pause_s: float) -> None:
    roll, sent = start_moving(nodes)
    other = nodes.offload if node is nodes.process else nodes.process
    began_s = time.monotonic()
    node.pause()
    try:
        wait_noticed(other, node, began_s)
        time.sleep(max(0.0, began_s + pause_s - time.monotonic()))  # being frozen is what is tried
    finally:
        node.resume()
    goes_on(nodes, lambda: None)
    wait_present(nodes.offload, nodes.process)
    check_arrived(nodes, roll, sent, breaks=1)


def _wait_fetching(node: Node, roll: Roll) -> None:
    """Wait until a fetch is half done."""
    ends_s = time.monotonic() + 30
    while True:
        every = node.api("fetches")["fetches"]
        moved = next((each["moved_bytes"] for each in every if each["name"] == roll.name), 0)
        if moved >= roll.total_bytes / 2:
            assert moved < roll.total_bytes, "too late to disturb it"
            return
        assert time.monotonic() < ends_s, every
        time.sleep(0.05)
