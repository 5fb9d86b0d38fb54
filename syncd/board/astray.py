"""Published rolls that are not where they were published, as the board and `syncd check` tell it.

Owns: the words, and that a roll is handed over again only from a folder that holds it.
Must not: read the journal, or decide that a roll is gone.
"""

from collections.abc import Sequence

from syncd.counted import counted, named
from syncd.errors import NotPossibleError
from syncd.journal.astray import PUT_AWAY
from syncd.journal.rolls import Origin, RollRow
from syncd.limits import HELD_NAMED_MAX
from syncd.roll.names import printable
from syncd.storage.missing import Missing

GONE = "gone"
PUT_AWAY_CODE = "put-away"
_REMEDY = "See where each may be, and what to do: `syncd rolls`. Clear no card of theirs."


def waits_of(row: RollRow, missing: Missing | None) -> dict[str, str] | None:
    """Return what is said of a roll in the place of what it waits for; None if it is not gone.

    missing: what this box found when it looked last, if it is the storage's.
    """
    if row.astray is None or row.held is not None:
        return None
    if row.put_away:
        message = f"{row.astray} It was {PUT_AWAY}."
        return {"code": PUT_AWAY_CODE, "message": message, "remedy": "Nothing is to be done."}
    remedy = missing.remedy if missing is not None else ""
    if row.origin is Origin.LANDING:
        name = f"{row.day}/{row.name}"
        remedy = (
            f"If it is still wanted, have it put back there, or say `syncd go {name}` here: it is "
            "handed over again from the landing. If it was put away for good, say so there: "
            f"`syncd go {name}`. Clear no card of it before that."
        )
    return {"code": GONE, "message": row.astray, "remedy": remedy}


def gone_problem(rows: Sequence[RollRow]) -> tuple[str, str]:
    """Return which rolls are gone without anybody having said that they may be; and what to do."""
    gone = [row for row in rows if row.astray is not None and not row.put_away]
    if not gone:
        return "", ""
    names = [printable(f"{row.day}/{row.name}") for row in gone]
    return f"Gone from where they were published: {named(names, HELD_NAMED_MAX)}.", _REMEDY


def told_put_away(rows: Sequence[RollRow]) -> str:
    """Say how many rolls were put away; "" if none was."""
    count = sum(row.put_away for row in rows)
    return f"{counted(count, 'roll')} {PUT_AWAY}." if count else ""


def nowhere(row: RollRow, places: Sequence[str]) -> NotPossibleError:
    """Say that no folder is there from which a roll could be handed over again."""
    return NotPossibleError(
        f"{row.astray} It cannot be handed over again: {places[0]} is not on the landing.",
        remedy="Offload it there again, from the card or another copy, then `syncd go` the roll.",
    )
