"""Finding each other: with no address in any config, in whatever order the boxes are started."""

import json
import time

import pytest

from tests.two_node.conftest import MakeNodes
from tests.two_node.node import Nodes
from tests.two_node.rolls import place, published
from tests.two_node.steps import (
    MEETS_S,
    Sent,
    check_arrived,
    check_logs,
    fetch,
    meet,
    wait_present,
    wait_stage,
)

ALONE_S, LONG_ALONE_S = 8.0, 180.0  # past the shortest waits between tries; past the longest


def test_they_discover_each_other_and_editorial_fetches(nodes: Nodes) -> None:
    """Multicast across the network is enough: a roll is handed over, and fetched by the command."""
    meet(nodes)
    if nodes.kind != "loopback":
        assert "address =" not in (nodes.offload.home / "syncd.toml").read_text()
    roll = place(nodes.offload, "A012", clips=4)
    check_arrived(nodes, roll, Sent(nodes.offload), breaks=0)
    fetch(nodes, roll)
    wait_stage(nodes.edit, "A012", "fetched")
    wait_stage(nodes.process, "A012", "fetched")  # it was told
    code, printed, said = nodes.process.syncd("rolls", "--json")
    assert code == 0, said
    assert [row["name"] for row in json.loads(printed)["rolls"]] == ["A012"]
    check_logs(nodes)


def test_the_offload_node_is_started_long_before_the_processing_one(
    make_nodes: MakeNodes,
) -> None:
    """A roll that was verified meanwhile goes as soon as the other box is there."""
    nodes = make_nodes()
    _one_waits_for_the_other(nodes, ALONE_S, offload_first=True)


def test_the_processing_node_is_started_long_before_the_offload_one(
    make_nodes: MakeNodes,
) -> None:
    """Who has waited for hours is found as quickly."""
    nodes = make_nodes()
    _one_waits_for_the_other(nodes, ALONE_S, offload_first=False)


@pytest.mark.long
@pytest.mark.parametrize("offload_first", [True, False])
def test_a_node_waits_for_minutes(make_nodes: MakeNodes, offload_first: bool) -> None:
    """As above, past every interval that grows."""
    _one_waits_for_the_other(make_nodes(), LONG_ALONE_S, offload_first=offload_first)


def _one_waits_for_the_other(nodes: Nodes, alone_s: float, *, offload_first: bool) -> None:
    first, second = nodes.offload, nodes.process
    if not offload_first:
        first, second = second, first
    nodes.edit.start()
    first.start()
    roll = place(nodes.offload, "A012", clips=4)
    time.sleep(alone_s)  # being alone is what is tried
    second.start()
    wait_present(nodes.offload, nodes.process, MEETS_S)
    wait_present(nodes.edit, nodes.process, MEETS_S)
    wait_stage(nodes.offload, "A012", "ready")
    assert roll.differences(published(nodes.process, roll)) == []
    check_logs(nodes)
