"""A storage that fills up: held with what to do, and it goes on by itself when there is room."""

import os
from pathlib import Path

import pytest

from syncd.limits import MIB
from tests.boxes import wait_until
from tests.two_node.conftest import MakeNodes
from tests.two_node.node import Node, Nodes, Settings
from tests.two_node.rolls import Roll, place
from tests.two_node.steps import (
    ARRIVES_S,
    RATE_BYTES_PER_S,
    Sent,
    check_arrived,
    meet,
    wait_moving,
)

MEDIA_BYTES = 400 * MIB
ROOM_BYTES = 60 * MIB  # what is left when somebody else fills the disk: less than the roll needs


@pytest.mark.long
def test_a_storage_that_is_too_full_for_the_roll(make_nodes: MakeNodes) -> None:
    """Nothing is sent that has no room: the offload box says so, and what to do."""
    nodes = make_nodes(Settings(media_bytes=MEDIA_BYTES))
    ballast = _fill(nodes, ROOM_BYTES)
    nodes.start()
    meet(nodes)
    roll = place(nodes.offload, "A012", clips=8)
    _wait_held(nodes.offload, roll)
    ballast.unlink()
    check_arrived(nodes, roll, Sent(nodes.offload), breaks=0)


def test_a_storage_that_is_filled_by_somebody_else_in_mid_roll(make_nodes: MakeNodes) -> None:
    """The write that finds no room is no loss: held, and on it goes when there is some."""
    nodes = make_nodes(Settings(media_bytes=MEDIA_BYTES))
    nodes.start()
    meet(nodes)
    nodes.set_rate(nodes.offload, RATE_BYTES_PER_S / 2)
    roll = place(nodes.offload, "A012", clips=12)
    sent = Sent(nodes.offload)
    wait_moving(nodes, roll, 0.2)
    ballast = _fill(nodes, 8 * MIB)
    _wait_held(nodes.process, roll)
    _wait_held(nodes.offload, roll)
    ballast.unlink()
    check_arrived(nodes, roll, sent, breaks=1)


def _fill(nodes: Nodes, leave_bytes: int) -> Path:
    """Fill the storage's file system but for leave_bytes; return the file to delete again."""
    disk = nodes.disks[1]
    ballast = nodes.process.media / "somebody-elses.mov"
    with ballast.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, disk.free_bytes - leave_bytes)
    return ballast


def _wait_held(node: Node, roll: Roll) -> None:
    """Wait until a node says storage-full, with what to do."""
    wait_until(
        lambda: _held(node.rolls().get(roll.name)) == "storage-full",
        ARRIVES_S,
        f"{node.name} does not say that the storage is full",
        state=node.rolls,
    )
    _, printed, _ = node.syncd("roll", roll.name)
    assert "storage-full" in printed
    assert "Free " in printed, printed


def _held(row: dict[str, dict[str, str]] | None) -> str:
    held = row["held"] if row else None
    return held["code"] if held else ""
