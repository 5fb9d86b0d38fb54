"""What the hand-off's tests share."""

import pytest

from tests.faults.scenes import cut_small


@pytest.fixture
def small_parcels(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut rolls finely: a few small files make many parcels."""
    cut_small(monkeypatch)
