"""Held rolls as `syncd check` tells of them: which, why, and what to do.

Owns: the words, and how many are named. Must not: read the journal.
"""

from collections.abc import Sequence

from syncd.counted import counted
from syncd.journal.rolls import RollRow
from syncd.limits import HELD_NAMED_MAX
from syncd.roll.names import printable
from syncd.said import brief

_REMEDY = (
    "Do what is said of each. One that does not go on by itself is tried again by `syncd go ROLL`."
)
_ALL = "All of them: `syncd rolls`."


def held_problem(rows: Sequence[RollRow]) -> tuple[str, str]:
    """Return what is wrong and what to do; "" twice if none of rows is held.

    A line for each of the first HELD_NAMED_MAX; its message ends with its own remedy.
    """
    held = [row for row in rows if row.held is not None]
    if not held:
        return "", ""
    lines = [_line(row) for row in held[:HELD_NAMED_MAX]]
    if len(held) == 1:
        return lines[0], _REMEDY
    more = len(held) - len(lines)
    lines += [f"And {more} more."] if more else []
    said = "\n".join([f"{counted(len(held), 'roll')} held.", *lines])
    return said, f"{_REMEDY} {_ALL}" if more else _REMEDY


def _line(row: RollRow) -> str:
    assert row.held is not None, "only held rolls are told of"
    name = printable(f"{row.day}/{row.name}" if row.day else row.name)
    message = brief(printable(row.held.message), printable(row.held.path or ""))
    return f"{name} held, {row.held.code}: {message}"
