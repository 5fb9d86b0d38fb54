"""What became of each roll, line by line, as `syncd roll` shows it: bounded for each roll.

Owns: the lines, and which are left out once there are too many. Must not: know what a line means,
but for those that say that a stage was reached, and those that Ledger looks for.

Kept are the first lines, the last ones, the first of each stage, and what begins with GOES_ON_AS.
In place of the others one line says how many they were.
"""

from dataclasses import dataclass
from sqlite3 import Connection

from syncd.journal.rows import HistoryRow, key_of
from syncd.limits import HISTORY_FIRST_LINES, HISTORY_LAST_LINES, HISTORY_LINES_MAX
from syncd.roll.stages import Stage

GOES_ON_AS = "goes on as "
_LEFT_OUT = "… lines left out here: "  # no other line begins so; a peer's begin with its name
_BEGINNING = max(len(GOES_ON_AS), len(_LEFT_OUT) + 12)


@dataclass(frozen=True, slots=True)
class _Line:
    number: int
    stage: str
    beginning: str


def write(db: Connection, roll_id: str, stage: Stage, text: str, now_utc_ms: int) -> None:
    """Add a line to a roll's history, and leave others out if there are too many."""
    key = key_of(db, roll_id)
    db.execute(
        "INSERT INTO history (roll_key, at_utc_ms, stage, note) VALUES (?, ?, ?, ?)",
        (key, now_utc_ms, stage, text),
    )
    (count,) = db.execute("SELECT count(*) FROM history WHERE roll_key = ?", (key,)).fetchone()
    if count > HISTORY_LINES_MAX:
        _shorten(db, key)


def read(db: Connection, roll_id: str) -> list[HistoryRow]:
    """Return a roll's history, oldest first."""
    rows = db.execute(
        "SELECT at_utc_ms, stage, note FROM history WHERE roll_key = ? ORDER BY number",
        (key_of(db, roll_id),),
    )
    return [HistoryRow(at, Stage(stage), text) for at, stage, text in rows]


def _shorten(db: Connection, key: int) -> None:
    """Leave out what is between the first and the last lines, and say how many those are."""
    lines = [
        _Line(*row)
        for row in db.execute(
            "SELECT number, stage, substr(note, 1, ?) FROM history WHERE roll_key = ?"
            " ORDER BY number",
            (_BEGINNING, key),
        )
    ]
    first_of_stage = {line.stage: line.number for line in reversed(lines)}.values()
    gone, count = [], 0
    for line in lines[HISTORY_FIRST_LINES:-HISTORY_LAST_LINES]:
        if line.number in first_of_stage or line.beginning.startswith(GOES_ON_AS):
            continue
        gone.append(line)
        told = line.beginning.removeprefix(_LEFT_OUT)
        count += 1 if told == line.beginning else int(told)
    if not gone:
        return
    place, *others = gone
    db.execute(
        "UPDATE history SET note = ? WHERE number = ?", (f"{_LEFT_OUT}{count}", place.number)
    )
    db.executemany("DELETE FROM history WHERE number = ?", [(line.number,) for line in others])
