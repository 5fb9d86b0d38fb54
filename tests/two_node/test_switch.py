"""The cable at the switch, where no daemon can see it: how soon it is noticed and used again.

Only namespaces have a switch of ours. A node that drops its own packets tells its own TCP, which
then tries again every half second; what is lost beyond the node's own plug it has to find out.
"""

import time
from collections.abc import Callable

import pytest

from syncd.limits import MIB
from tests.boxes import wait_until
from tests.shell import run
from tests.two_node.choosing import Choice
from tests.two_node.conftest import MakeNodes
from tests.two_node.namespaces import NamespaceNode, NamespaceNodes
from tests.two_node.node import CONTROL, Node, Nodes, Settings
from tests.two_node.rolls import Roll, place
from tests.two_node.steps import NOTICED_S, Sent, check_arrived, goes_on, start_pair, wait_moving

MOVES_AGAIN_S = 2.0
SLOW_BYTES_PER_S, FAST_BYTES_PER_S = 100e6 / 8, 200e6
CUT_S, SHORT_CUT_S = 11.0, 5.0
FIRST_BYTES = MIB // 2  # more than all questions and greetings of that time together

Switch = Callable[[NamespaceNodes], object]


@pytest.fixture
def kind(request: pytest.FixtureRequest, choice: Choice) -> str:
    """Give the one backend that has a switch."""
    if why := choice.why_not("namespaces"):
        choice.left_out.append(f"{request.node.name}: {why}")
        pytest.skip(f"no namespaces here: {why}")
    return "namespaces"


@pytest.fixture
def moving(make_nodes: MakeNodes) -> tuple[NamespaceNodes, Roll, Sent]:
    """Give a set in which a roll has begun to move, slowly, from one known address to another."""
    return _begin(make_nodes(Settings(discover=False)))


def _begin(nodes: Nodes) -> tuple[NamespaceNodes, Roll, Sent]:
    """Let a roll begin to move, slowly; editorial is not there."""
    assert isinstance(nodes, NamespaceNodes)
    start_pair(nodes)
    nodes.set_rate(nodes.offload, SLOW_BYTES_PER_S)
    roll = place(nodes.offload, "A012", clips=20)
    wait_moving(nodes, roll, 0.01)
    return nodes, roll, Sent(nodes.offload)


def _plug(nodes: NamespaceNodes, node: NamespaceNode, state: str) -> None:
    """Pull a node's plug ("down"): its interface has no carrier; or put it back ("up")."""
    run("ip", "-n", nodes.hub, "link", "set", node.plug, state)


def _port(nodes: NamespaceNodes, node: NamespaceNode, state: str) -> None:
    """Let nothing pass a node's port ("0"), while everybody sees a carrier; or let it ("3")."""
    run("bridge", "-n", nodes.hub, "link", "set", "dev", node.plug, "state", state)


CUTS: dict[str, tuple[Switch, Switch]] = {
    "plug-out": (lambda n: _plug(n, n.all[0], "down"), lambda n: _plug(n, n.all[0], "up")),
    "far-plug-out": (lambda n: _plug(n, n.all[1], "down"), lambda n: _plug(n, n.all[1], "up")),
    "silent": (lambda n: _port(n, n.all[0], "0"), lambda n: _port(n, n.all[0], "3")),
}


def _unnoticed(nodes: NamespaceNodes) -> list[str]:
    """Return what is still open between the two, and who still calls the other one present."""
    found = []
    for here, there in ((nodes.offload, nodes.process), (nodes.process, nodes.offload)):
        lines = run(*here.inside("ss", "-Htn", "state", "established")).splitlines()
        found += [f"{here.name}: {line}" for line in lines if _address(there) in line]
        if here.peer(there.name)["present"]:
            found.append(f"{here.name} believes in its peer")
    return found


def _address(node: Node) -> str:
    assert isinstance(node, NamespaceNode)
    return f"{node.address}:"


def _first_byte_s(nodes: NamespaceNodes) -> float:
    """Return how long it takes from now until the roll moves on, as the kernel counts."""
    plug = nodes.all[0].interface
    before, began_s = plug.sent_bytes(), time.monotonic()
    wait_until(lambda: plug.sent_bytes() > before + FIRST_BYTES, 30, "it does not move on")
    return time.monotonic() - began_s


@pytest.mark.parametrize("cut", CUTS)
def test_a_cut_is_noticed_and_a_mended_cable_used_at_once(
    moving: tuple[NamespaceNodes, Roll, Sent], cut: str
) -> None:
    """Control and lanes of both ends are closed within 10 s; new bytes come within 2 s."""
    nodes, roll, sent = moving
    break_it, mend_it = CUTS[cut]
    began_s = time.monotonic()
    break_it(nodes)
    while left := _unnoticed(nodes):
        assert time.monotonic() - began_s < NOTICED_S, left
    time.sleep(max(0.0, began_s + CUT_S - time.monotonic()))  # the cable stays out for so long
    mend_it(nodes)
    assert _first_byte_s(nodes) <= MOVES_AGAIN_S
    nodes.set_rate(nodes.offload, FAST_BYTES_PER_S)
    check_arrived(nodes, roll, sent, breaks=1)


def test_a_cable_that_is_back_before_anybody_is_dead_is_used_at_once(
    moving: tuple[NamespaceNodes, Roll, Sent],
) -> None:
    """After 5 s of silence TCP itself would wait for up to 5 s more."""
    nodes, roll, sent = moving
    break_it, mend_it = CUTS["silent"]
    break_it(nodes)
    time.sleep(SHORT_CUT_S)  # the cable stays out for so long
    mend_it(nodes)
    assert _first_byte_s(nodes) <= MOVES_AGAIN_S
    nodes.set_rate(nodes.offload, FAST_BYTES_PER_S)
    check_arrived(nodes, roll, sent, breaks=1)


def test_another_address_of_the_same_interface_is_found_again(make_nodes: MakeNodes) -> None:
    """By discovery alone; the address that is nobody's any more holds nothing up."""
    nodes, roll, sent = _begin(make_nodes())
    there = nodes.all[1]
    there.host += 66
    run(*there.inside("ip", "address", "flush", "dev", "eth0"))
    run(*there.inside("ip", "address", "add", f"{there.address}/24", "dev", "eth0"))
    goes_on(nodes, lambda: None)
    nodes.set_rate(nodes.offload, FAST_BYTES_PER_S)
    check_arrived(nodes, roll, sent, breaks=1)
    assert nodes.offload.peer(there.name)["address"] == f"{there.address}:{CONTROL}"
