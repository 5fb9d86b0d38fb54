"""The shape in which a notice leaves syncd: for the board, `follow --json`, commands and hooks.

Owns: the keys. Must not: read the journal.
"""

from typing import Any

from syncd.journal.notices import NoticeRow
from syncd.moments import rfc3339


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
