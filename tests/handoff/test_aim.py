"""Who takes the rolls: the one that is named, or the only one that can be meant."""

from syncd.handoff.aim import aim
from syncd.wire.peers import TrustedPeer


def box(name: str, *roles: str) -> TrustedPeer:
    """Return a paired box."""
    return TrustedPeer(name, f"sha256:{name}", roles=frozenset(roles))


PROCESS, OTHER = box("process-1", "processing"), box("process-2", "processing", "editorial")
EDIT = box("edit-1", "editorial")


def test_the_one_processing_box_takes_the_rolls_without_being_named() -> None:
    """One line less to write, where there is nothing to choose."""
    assert aim("", [EDIT, PROCESS]).peer is PROCESS


def test_of_two_processing_boxes_none_is_chosen() -> None:
    """A person says which; until then rolls wait, and the remedy is a line of the config."""
    found = aim("", [PROCESS, EDIT, OTHER])
    assert found.peer is None
    assert "process-1, process-2" in found.problem
    assert 'peer = "process-1"' in found.remedy


def test_the_named_one_takes_them_and_nobody_in_its_place() -> None:
    """Not even the only other box there is."""
    assert aim("process-2", [PROCESS, OTHER]).peer is OTHER
    found = aim("process-2", [PROCESS])
    assert found.peer is None
    assert "process-2" in found.problem
    assert "syncd pair" in found.remedy


def test_without_a_processing_box_rolls_wait_for_pairing() -> None:
    """An editorial box is none."""
    found = aim("", [EDIT])
    assert found.peer is None
    assert "syncd pair" in found.remedy
