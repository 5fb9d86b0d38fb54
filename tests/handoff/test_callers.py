"""The answering end knows a peer by what it asks."""

from syncd.handoff.callers import Callers
from syncd.limits import DEAD_AFTER_S
from syncd.wire.messages import Hello
from tests.storage.rig import StillClock


def greeting(storage_wait_s: float) -> Hello:
    """Make the greeting of an editorial box."""
    return Hello(
        node="edit-1", roles=("editorial",), version="1", utc_ms=0, storage_wait_s=storage_wait_s
    )


def test_whoever_has_never_asked_is_not_there() -> None:
    """Nobody is believed to live only because a config names them."""
    callers = Callers(StillClock())
    assert callers.names() == ()
    assert not callers.is_heard("edit-1")
    assert not callers.waits_for_storage("edit-1")


def test_a_peer_lives_for_some_seconds_after_its_last_question() -> None:
    """Any question will do."""
    clock = StillClock()
    callers = Callers(clock)
    callers.note("edit-1", object())
    clock.now_s += DEAD_AFTER_S
    assert callers.is_heard("edit-1")
    clock.now_s += 0.1
    assert not callers.is_heard("edit-1")
    callers.note("edit-1", object())
    assert callers.is_heard("edit-1")


def test_a_slow_storage_is_an_excuse_as_long_as_the_box_itself_answers() -> None:
    """Said in greetings, withdrawn in greetings; and worth nothing from a peer that is dead."""
    clock = StillClock()
    callers = Callers(clock)
    callers.note("edit-1", greeting(5.0))
    callers.note("edit-1", object())  # says nothing of its storage
    assert callers.waits_for_storage("edit-1")
    clock.now_s += DEAD_AFTER_S + 1
    assert not callers.waits_for_storage("edit-1")
    callers.note("edit-1", greeting(0.0))
    assert not callers.waits_for_storage("edit-1")
