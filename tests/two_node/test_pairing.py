"""Three boxes of which no config names another: paired by codes, over the network they share."""

import json
import subprocess
import time
import tomllib

from tests.boxes import wait_until
from tests.two_node.conftest import MakeNodes
from tests.two_node.node import Node, Nodes, Settings
from tests.two_node.rolls import place, published
from tests.two_node.steps import Sent, check_arrived, check_logs, fetch, meet, wait_stage

PAIRED_S = 60.0  # of a person's five minutes; most of it is the start of four commands
FORGOTTEN_S = 15.0


def test_boxes_that_know_nobody_are_paired_by_a_code_that_is_typed(make_nodes: MakeNodes) -> None:
    """Found by multicast, no address typed; a roll that waited goes at once, and is fetched."""
    nodes = make_nodes(Settings(pinned=False))
    nodes.start()
    roll = place(nodes.offload, "A012", clips=4)
    wait_until(lambda: nodes.offload.rolls().get("A012", {}).get("waits"), 30, "it waits")
    began_s = time.monotonic()
    pair(nodes, nodes.process, nodes.offload)
    took_s = time.monotonic() - began_s
    assert took_s < PAIRED_S, f"{took_s:.1f} s"
    pair(nodes, nodes.process, nodes.edit)
    meet(nodes)
    check_arrived(nodes, roll, Sent(nodes.offload), breaks=0)
    fetch(nodes, roll)

    code, out, said = nodes.process.syncd("peers", "forget", "edit-1", "--json")
    assert code == 0, said
    assert json.loads(out)["forgotten"]["fingerprint"] == nodes.edit.fingerprint
    wait_until(
        lambda: not nodes.edit.peer("process-1")["present"], FORGOTTEN_S, "it is turned away"
    )
    second = place(nodes.offload, "B007", clips=2)
    wait_stage(nodes.offload, "B007", "ready")
    assert second.differences(published(nodes.process, second)) == []
    assert nodes.edit.syncd("fetch", "B007", "--to", f"{nodes.edit.places.media}/rushes")[0] == 1
    check_logs(nodes)


def pair(nodes: Nodes, showing: Node, typing: Node) -> None:
    """Show a code on one node and type it on another; each then names the other."""
    argv = showing.inside(*showing.command, "pair", "-c", showing.places.config)
    with subprocess.Popen(argv, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True) as it:
        assert it.stdout is not None
        shown = it.stdout.readline().split()
        where = ("--with", _address(showing)) if nodes.kind == "loopback" else ()
        code, out, said = typing.syncd("pair", *shown, *where)
        assert code == 0, said
        assert f"Paired with {showing.name}" in out
        assert showing.fingerprint in out
        rest = it.communicate(timeout=30)[0]
    assert it.returncode == 0
    assert f"Paired with {typing.name}" in rest
    assert typing.fingerprint in rest


def _address(node: Node) -> str:
    """Return where a node listens, on the one backend where multicast finds nobody."""
    return str(tomllib.loads((node.home / "syncd.toml").read_text())["node"]["control"])
