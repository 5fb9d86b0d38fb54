"""The JSON of the board and the commands: keys, units and order are a contract (see README).

Owns: how a journal's row becomes JSON. Must not: read the journal or a clock.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from syncd.config.shapes import DestinationConfig
from syncd.journal.rolls import HistoryRow, Origin, RollRow
from syncd.moments import rfc3339
from syncd.roll.stages import Stage, is_before


def roll_json(
    row: RollRow, *, now_utc_ms: int, waits: Mapping[str, str] | None = None
) -> dict[str, Any]:
    """Return one line of `syncd rolls --json`.

    waits: what an unfinished roll waits for, that is not held: code, message and remedy.
    """
    held = row.held
    # While nothing of it can move, the forecast of before says nothing any more.
    is_moving = _is_under_way(row) and not (held or waits or row.paused)
    return {
        "id": row.roll_id,
        "name": row.name,
        "day": row.day,
        "stage": row.shown_stage.value,
        "bytes": row.total_bytes,
        "files": row.file_count,
        "moved_bytes": row.moved_bytes,
        "rank": row.rank,
        "needed_by": _time(row.needed_by_utc_ms),
        "expected_at": _time(row.expected_utc_ms) if is_moving else None,
        "late": is_late(row, now_utc_ms),
        "held": held
        and {
            "code": held.code.value,
            "message": held.message,
            "path": held.path,
            "box": box_to_go(row),
        },
        "waits": waits,
    }


def roll_detail_json(
    row: RollRow,
    history: Iterable[HistoryRow],
    destinations: Iterable[DestinationConfig],
    *,
    now_utc_ms: int,
    waits: Mapping[str, str] | None = None,
) -> dict[str, Any]:
    """Return what `syncd roll --json` prints."""
    return roll_json(row, now_utc_ms=now_utc_ms, waits=waits) | {
        "paused": row.paused,
        "listed": row.is_listed,
        "arrived_at": rfc3339(row.arrived_utc_ms),
        "origin": row.origin.value,
        "peer": row.peer,
        "route": row.route,
        "source_path": row.source_path,
        "published_path": row.published_path,
        "same_as": row.same_as,
        "destinations": [
            {
                "name": destination.name,
                "peer": destination.peer,
                "route": destination.route.value,
                "bytes": row.total_bytes,
                "moved_bytes": row.moved_bytes,
                "stage": row.shown_stage.value,
            }
            for destination in destinations
        ],
        "history": [
            {"at": rfc3339(line.at_utc_ms), "stage": line.stage.value, "note": line.note}
            for line in history
        ],
    }


def fetch_json(row: RollRow, *, now_utc_ms: int) -> dict[str, Any]:
    """Return one fetch: the roll as it comes here, from whom, and into which folder."""
    return roll_json(row, now_utc_ms=now_utc_ms) | {"peer": row.peer, "to": row.route}


def is_late(row: RollRow, now_utc_ms: int) -> bool:
    """Tell whether a roll under way has missed its time, or will by all that is known."""
    if row.needed_by_utc_ms is None or not _is_under_way(row):
        return False
    expected_utc_ms = max(row.expected_utc_ms or 0, now_utc_ms)
    return expected_utc_ms > row.needed_by_utc_ms


def box_to_go(row: RollRow) -> str | None:
    """Return the box on which alone a held roll is let go on; None if that is this one.

    It has arrived there, and that box, which said so with its name before it, knows how it is.
    """
    if row.held is None or row.origin is not Origin.LANDING or _is_under_way(row):
        return None
    return row.held.message.partition(": ")[0]


def is_settled(row: RollRow) -> bool:
    """Tell whether all that is said of a roll is in its row, whatever the time and the peers."""
    return not _is_under_way(row) and row.astray is None


def _is_under_way(row: RollRow) -> bool:
    return is_before(row.stage, Stage.LANDED)


def _time(utc_ms: int | None) -> str | None:
    return None if utc_ms is None else rfc3339(utc_ms)
