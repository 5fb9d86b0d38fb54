"""The list of all rolls as JSON, of which only what has changed is written anew.

Owns: the text of each roll and of all, and when it is written again.
Must not: read the journal or a clock.
"""

import json
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from syncd.board.shapes import is_late, is_settled, roll_json
from syncd.journal.rolls import RollRow

Waits = Callable[[RollRow], Mapping[str, str] | None]


@dataclass(frozen=True, slots=True)
class _Line:
    """One roll's text, and what it was made of."""

    row: RollRow
    waits: Mapping[str, str] | None
    is_late: bool
    is_settled: bool
    text: str


class Listing:
    """Remembers what it wrote last: some 600 bytes for each roll. Safe in any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._rows: Sequence[RollRow] | None = None
        self._lines: dict[str, _Line] = {}
        self._unsettled: list[_Line] = []
        self._body = b""

    def body(self, rows: Sequence[RollRow], now_utc_ms: int, waits: Waits) -> bytes:
        """Return the JSON of the rows that are listed.

        rows: in their order; another object if there is anything new in it.
        waits: what a roll waits for now, as roll_json() takes it; None for one that is settled.
        """
        with self._lock:
            now = now_utc_ms
            if rows is not self._rows or any(
                self._line(line.row, now, waits) is not line for line in self._unsettled
            ):
                self._write(rows, now, waits)
            return self._body

    def _write(self, rows: Sequence[RollRow], now_utc_ms: int, waits: Waits) -> None:
        lines = {row.roll_id: self._line(row, now_utc_ms, waits) for row in rows}
        texts = ", ".join([line.text for line in lines.values()])
        self._body = f'{{"rolls": [{texts}]}}'.encode()
        self._unsettled = [line for line in lines.values() if not line.is_settled]
        self._rows, self._lines = rows, lines

    def _line(self, row: RollRow, now_utc_ms: int, waits_of: Waits) -> _Line:
        line = self._lines.get(row.roll_id)
        is_same = line is not None and line.row is row
        if line is not None and is_same and line.is_settled:
            return line
        waits, late = waits_of(row), is_late(row, now_utc_ms)
        if line is not None and is_same and (line.waits, line.is_late) == (waits, late):
            return line
        text = json.dumps(roll_json(row, now_utc_ms=now_utc_ms, waits=waits))
        return _Line(row, waits, late, is_settled(row), text)
