"""Other names of one roll, as the storage's box is told them: each leads to the roll.

Owns: what such a name may be, and that it is kept and noted once. Must not: rename anything.
"""

from collections.abc import Callable

from syncd.errors import UnfitError
from syncd.handoff.outgoing import UNFIT_REMEDY
from syncd.journal import also, rolls, same
from syncd.journal.also import Also
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin
from syncd.roll.names import check_top, shown


def call_too(
    journal: Journal,
    roll_id: str,
    other: Also,
    *,
    peer: str,
    spend: Callable[[str], None],
    now_utc_ms: int,
) -> str:
    """Let another name lead to a published roll; return where that was published, "" if nowhere.

    spend: called with the peer before anything is written. Raises UnfitError for a name that
    nobody may be given, and what spend() raises. Blocks.
    """
    text = f"{other.day}/{other.name}"
    if "/" in other.day or "/" in other.name or check_top(other.day, other.name):
        raise UnfitError(f"No roll may be called {shown(text)}.", remedy=UNFIT_REMEDY)
    with journal.read() as db:
        offered = rolls.get(db, roll_id)
        row = None if offered is None else same.leads_to(db, offered)
        if offered is None or row is None or row.origin is not Origin.PEER:
            return ""
        if row.published_path is None:
            return ""
        own = {(each.day, each.name) for each in (offered, row)}
        is_known = (other.day, other.name) in own or other in also.of(db, row.roll_id)
    if not is_known:
        spend(peer)
        with journal.write() as db:
            also.add(db, row.roll_id, other)
            note = f"{peer} has it as {text}, too; it was published as {row.published_path}"
            rolls.note(db, row.roll_id, note, now_utc_ms=now_utc_ms)
    return row.published_path
