"""What must hold of every error about foreign bytes: short, and fit for a line on a terminal."""

from datetime import UTC, datetime, timedelta, timezone

from syncd.errors import SyncdError
from syncd.moments import rfc3339
from syncd.roll.names import shown

TEXT_MAX = 2000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
ZONES = [timezone(timedelta(hours=hours)) for hours in (-12, 14)]  # those furthest from UTC


def check_text(text: str, *, length_max: int) -> None:
    """Assert that what an error says has an end, and no character that moves a cursor."""
    assert len(text) <= length_max, text[:200]
    line = text.replace("\n", "")
    assert shown(line) == line, ascii(text[:500])


def check_said(error: SyncdError) -> None:
    """Assert that an error may be shown, journalled and sent to a peer."""
    for text in (error.problem, error.remedy, str(error)):
        text.encode()
        check_text(text, length_max=TEXT_MAX)


def check_moment(utc_ms: int) -> None:
    """Assert that a time that was taken can be written, read again, and shown in every zone."""
    moment = datetime.fromisoformat(rfc3339(utc_ms))
    assert moment - EPOCH == timedelta(milliseconds=utc_ms)
    for zone in ZONES:
        moment.astimezone(zone)
