"""How a moment is written wherever syncd says one. Must not: read a clock; times are passed in.

A moment from elsewhere is compared with these bounds where it comes in. What an older journal has
beyond them, and what a forecast would be, counts as the bound itself: nothing that is shown or
sent may depend on the calendar having a date for it.
"""

from datetime import UTC, datetime, timedelta

from syncd.limits import UTC_MS_MAX, UTC_MS_MIN

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def within_calendar(utc_ms: int) -> int:
    """Return a time, or the nearest one that can be written in every zone."""
    return min(max(utc_ms, UTC_MS_MIN), UTC_MS_MAX)


def rfc3339(utc_ms: int) -> str:
    """Write a time as RFC 3339 in UTC with milliseconds, such as 2026-03-14T19:00:00.000Z.

    Whatever the number is: one that the calendar has no date for becomes the nearest it has.
    """
    moment = _EPOCH + timedelta(milliseconds=within_calendar(utc_ms))
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
