"""Nobody but syncd's user reads the journal, also in a folder that others may enter."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.boxes import Pair


@pytest.fixture
def open_umask() -> Iterator[None]:
    """Let the system take nothing from the modes that are asked for."""
    before = os.umask(0)
    yield
    os.umask(before)


@pytest.mark.usefixtures("open_umask")
def test_all_files_in_a_state_folder_that_was_there_are_private(tmp_path: Path) -> None:
    """The folder keeps its mode, as somebody has made it; what syncd makes in it is its own."""
    pair = Pair(tmp_path)
    pair.configure()
    box = pair.offload
    state = box.folder / "state"
    state.mkdir(parents=True, exist_ok=True)
    state.chmod(0o755)
    box.start()
    try:
        modes = {path.name: path.stat().st_mode & 0o777 for path in state.iterdir()}
    finally:
        box.stop()
    assert {"journal.sqlite", "journal.sqlite-wal", "journal.began"} <= set(modes)
    assert not {name: oct(mode) for name, mode in modes.items() if mode & 0o077}
    assert state.stat().st_mode & 0o777 == 0o755
