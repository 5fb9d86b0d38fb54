"""When lanes that nobody can read are somebody's fault."""

from syncd.handoff.garbled import GARBLED_MAX, WITHIN_S, GarbledLanes


def test_a_flipped_bit_now_and_then_is_told_of_nobody() -> None:
    """Nor one peer's of another; many within a minute are."""
    lanes = GarbledLanes()
    for number in range(100):
        assert lanes.note("offload-1", number * WITHIN_S / (GARBLED_MAX - 2)) is None
    for _ in range(GARBLED_MAX - 1):
        assert lanes.note("edit-1", 5.0) is None
    error = lanes.note("edit-1", 6.0)
    assert error is not None
    assert error.problem.startswith("edit-1 ")
