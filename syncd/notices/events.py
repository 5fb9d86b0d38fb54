"""The shape in which a notice leaves syncd: for the board, `follow --json`, commands and hooks.

Owns: the keys, and how a time is written. Must not: read the journal.
"""

from datetime import UTC, datetime, timedelta
from typing import Any

from syncd.journal.notices import NoticeRow

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def event_json(notice: NoticeRow) -> dict[str, Any]:
    """Return a notice as scripts read it; "id" is the same at every repeat."""
    return {
        "id": notice.notice_id,
        "seq": notice.seq,
        "at": rfc3339(notice.at_utc_ms),
        "type": notice.kind,
        "roll": notice.body.get("roll"),
        "stage": notice.body.get("stage"),
        "note": notice.body.get("note", ""),
        "data": notice.body.get("data", {}),
    }


def rfc3339(utc_ms: int) -> str:
    """Write a time as RFC 3339 in UTC with milliseconds, such as 2026-03-14T19:00:00.000Z."""
    moment = _EPOCH + timedelta(milliseconds=utc_ms)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
