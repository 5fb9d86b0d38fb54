"""The token file is removed or replaced while the daemon runs: what its own commands say."""

from collections.abc import Callable
from pathlib import Path

import pytest

from syncd.board.token import NAME, make_token
from syncd.edges.chance import SystemChance
from tests.boxes import Pair
from tests.test_pairing import Keyboard


def remove(state: Path) -> None:
    """Remove it, as a tidy person may."""
    (state / NAME).unlink()


def replace(state: Path) -> None:
    """Put another one in its place."""
    make_token(state, SystemChance())


@pytest.mark.parametrize("lose", [remove, replace])
def test_the_own_daemon_is_not_called_a_stranger(
    tmp_path: Path, lose: Callable[[Path], None]
) -> None:
    """It runs, and has to be started anew; nothing else is to be stopped."""
    pair = Pair(tmp_path)
    pair.configure()
    box = pair.offload
    box.start()
    try:
        lose(box.folder / "state")
        keyboard = Keyboard(box)
        for words, code in (
            (("check",), 1),
            (("rolls",), 69),
            (("peers",), 69),
            (("peers", "forget", "process-1"), 69),
        ):
            done = keyboard.types(*words)
            said = done.stdout + done.stderr
            assert done.returncode == code, said
            assert "is not that of the daemon that runs" in said
            assert "Start the daemon anew" in said
            for wrong in ("Stop", "does not run", "Another", "WRONG  port"):
                assert wrong not in said
    finally:
        box.stop()
