from collections.abc import Iterator

import pytest

from syncd.journal.journal import Journal


@pytest.fixture
def journal() -> Iterator[Journal]:
    """Give a journal in memory."""
    with Journal(None, journal_id="j") as opened:
        yield opened
