"""How a moment is written wherever syncd says one. Must not: read a clock; times are passed in."""

from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def rfc3339(utc_ms: int) -> str:
    """Write a time as RFC 3339 in UTC with milliseconds, such as 2026-03-14T19:00:00.000Z."""
    moment = _EPOCH + timedelta(milliseconds=utc_ms)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
