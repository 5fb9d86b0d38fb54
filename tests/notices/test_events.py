"""The shape of events, which scripts rely on."""

from datetime import datetime

import pytest

from syncd.journal.notices import NoticeRow
from syncd.moments import rfc3339
from syncd.notices.events import event_json


def test_an_event_has_these_keys_and_no_others() -> None:
    """The same for the board, for follow and for a command's standard input."""
    roll = {"id": "a" * 32, "name": "A012", "day": "2026-03-14_D12"}
    body = {"roll": roll, "stage": "ready", "note": "all good", "data": {"path": "/rolls"}}
    assert event_json(NoticeRow(7, "j-7", "a" * 32, "ready", 1_773_507_600_123, body)) == {
        "id": "j-7",
        "seq": 7,
        "at": "2026-03-14T17:00:00.123Z",
        "type": "ready",
        "roll": roll,
        "stage": "ready",
        "note": "all good",
        "data": {"path": "/rolls"},
    }


@pytest.mark.parametrize("utc_ms", [0, 1, 999, 1_773_507_600_000, 4_102_444_799_999])
def test_times_are_rfc_3339_in_utc_to_the_millisecond(utc_ms: int) -> None:
    """Read back by the standard library, nothing is lost (RFC 3339 section 5.6: "Z" for UTC)."""
    text = rfc3339(utc_ms)
    assert len(text) == len("2026-03-14T17:00:00.000Z")
    assert round(datetime.fromisoformat(text).timestamp() * 1000) == utc_ms
