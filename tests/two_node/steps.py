"""What the scenarios have in common: waiting for a state, and the account at the end.

Owns: what every scenario must show after its faults: all arrived, identical, little sent twice,
no traceback, no flood in any log.
"""

import time
from collections.abc import Callable
from typing import Any

from syncd.limits import MIB
from tests.boxes import wait_until
from tests.two_node.node import Node, Nodes
from tests.two_node.rolls import Roll, place, published

RATE_BYTES_PER_S = 60e6
ARRIVES_S = 60.0
NOTICED_S = 10.0
MEETS_S = 20.0
TWICE_BYTES_MAX = 64 * MIB
LOG_LINES_MAX = 200


class Sent:
    """Counts what a node's daemon sent of files, over its lives.

    A life ends with kill(); what it sent between the last look and its end is not counted.
    """

    def __init__(self, node: Node) -> None:
        self._node = node
        self._before = 0.0

    def kill(self) -> None:
        """Kill the node's daemon with -9."""
        self.close_account()
        self._node.kill()

    def close_account(self) -> None:
        """Note what this life sent: it is about to end."""
        self._before += self.now_bytes()

    def now_bytes(self) -> float:
        """Return what the daemon that runs now has sent."""
        return self._node.metric("syncd_payload_bytes_total")

    def total_bytes(self) -> float:
        """Return what all lives sent."""
        return self._before + self.now_bytes()


def meet(nodes: Nodes) -> None:
    """Wait until every pair that has something to do with each other has heard of each other."""
    for one, other in ((nodes.offload, nodes.process), (nodes.edit, nodes.process)):
        wait_present(one, other)
        wait_present(other, one)


def start_pair(nodes: Nodes) -> None:
    """Start the two ends of the hand-off only, and wait until they have heard of each other."""
    for node in (nodes.process, nodes.offload):
        node.start()
    wait_present(nodes.offload, nodes.process)
    wait_present(nodes.process, nodes.offload)


def wait_present(asking: Node, peer: Node, timeout_s: float = MEETS_S) -> None:
    """Wait until one node hears from another."""
    wait_until(
        lambda: asking.peer(peer.name)["present"],
        timeout_s,
        f"{asking.name} does not hear {peer.name}",
        state=lambda: asking.api("peers"),
    )


def wait_noticed(asking: Node, peer: Node, cut_at_s: float) -> None:
    """Wait until one node knows that another is gone: within 10 s of the cut."""
    wait_until(
        lambda: not asking.peer(peer.name)["present"],
        cut_at_s + NOTICED_S - time.monotonic(),
        f"{asking.name} has not noticed that {peer.name} is gone",
        state=lambda: asking.api("peers"),
    )


def wait_moving(nodes: Nodes, roll: Roll, share: float = 0.5) -> None:
    """Wait until that share of a roll has been sent, and see that it is still moving."""
    sent = Sent(nodes.offload)
    wait_until(
        lambda: sent.now_bytes() >= share * roll.total_bytes,
        ARRIVES_S,
        f"{roll.name} does not move",
        state=nodes.offload.rolls,
    )
    stage = nodes.offload.rolls()[roll.name]["stage"]
    assert stage == "moving", f"too late to disturb {roll.name}: it is {stage}"


def start_moving(nodes: Nodes, name: str = "A012", share: float = 0.7) -> tuple[Roll, Sent]:
    """Let a roll be on its way, slowly enough to disturb it."""
    meet(nodes)
    nodes.set_rate(nodes.offload, RATE_BYTES_PER_S)
    roll = place(nodes.offload, name, clips=15)
    wait_moving(nodes, roll, share)
    return roll, Sent(nodes.offload)


def wait_stage(node: Node, name: str, stage: str, timeout_s: float = ARRIVES_S) -> None:
    """Wait until a node says that a roll is in a stage."""
    wait_until(
        lambda: node.rolls().get(name, {}).get("stage") == stage,
        timeout_s,
        f"{name} does not become {stage} on {node.name}",
        state=node.rolls,
    )


def goes_on(nodes: Nodes, what: Callable[[], Any]) -> float:
    """Do what mends the way, and return how long it took until new bytes were sent."""
    before = Sent(nodes.offload).now_bytes()
    what()
    mended_s = time.monotonic()
    wait_until(
        lambda: Sent(nodes.offload).now_bytes() > before,
        ARRIVES_S,
        "no new byte is sent",
        every_s=0.02,
        state=lambda: (nodes.offload.rolls(), nodes.offload.api("status")),
    )
    return time.monotonic() - mended_s


def check_arrived(nodes: Nodes, roll: Roll, sent: Sent, *, breaks: int, lanes: int = 2) -> None:
    """Wait until a roll is ready and check everything that must be so after any fault."""
    wait_stage(nodes.offload, roll.name, "ready")
    assert roll.differences(published(nodes.process, roll)) == []
    twice = sent.total_bytes() - roll.total_bytes
    assert twice <= breaks * lanes * TWICE_BYTES_MAX, f"{twice:,.0f} bytes travelled twice"
    check_logs(nodes)


def check_logs(nodes: Nodes) -> None:
    """Check that no daemon met a fault of its own, and none flooded its log."""
    for node in nodes.all:
        text = node.log_text()
        assert "Traceback" not in text, f"{node.name}:\n{text[-3000:]}"
        lines = text.count("\n")
        assert lines <= LOG_LINES_MAX, f"{node.name} logged {lines} lines:\n{text[-3000:]}"


def fetch(nodes: Nodes, roll: Roll) -> None:
    """Let the editorial node fetch a roll with the command, and compare."""
    rushes = f"{nodes.edit.places.media}/rushes"
    code, printed, said = nodes.edit.syncd("fetch", roll.name, "--to", rushes, "--json")
    assert code == 0, (printed, said)
    assert roll.differences(published(nodes.edit, roll)) == []
