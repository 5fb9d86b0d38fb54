"""A notice as a CloudEvent, in JSON (structured mode). Pure.

Owns: the attributes. Must not: send it.
Source: CloudEvents 1.0.2, spec.md and formats/json-format.md; extension `sequence`.
"""

import json
from typing import Any

from syncd.journal.notices import NoticeRow
from syncd.moments import rfc3339
from syncd.notices.events import event_json

CONTENT_TYPE = "application/cloudevents+json; charset=utf-8"
TYPE_PREFIX = "local.syncd."
_SEQUENCE_DIGITS = 19  # of the largest number that a journal can give


def cloud_event(notice: NoticeRow, path: str, node: str) -> dict[str, Any]:
    """Return the event. source and id are the same at every repeat, and together like no other's.

    path: where the roll lies on the box node. In data is what every other listener gets, too.
    """
    event = {
        "specversion": "1.0",
        "id": notice.notice_id,
        "source": f"syncd:{node}",
        "type": type_of(notice.kind),
        "time": rfc3339(notice.at_utc_ms),
        "datacontenttype": "application/json",
        # Compared as text, so padded.
        "sequence": f"{notice.seq:0{_SEQUENCE_DIGITS}}",
        "data": event_json(notice) | {"path": path},
    }
    return event if notice.roll_id is None else event | {"subject": notice.roll_id}


def type_of(kind: str) -> str:
    """Return the type of event: Standard Webhooks lets its parts hold letters, digits and "_"."""
    return TYPE_PREFIX + kind.replace("-", "_")


def encoded(document: dict[str, Any]) -> bytes:
    """Return a document as UTF-8. What a file's name has that is no text becomes "?"."""
    return json.dumps(document, ensure_ascii=False).encode(errors="replace")
