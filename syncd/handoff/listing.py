"""The rolls that can be fetched, page by page: how a listing is cut, answered and asked for.

Owns: that a page fits one message, however many rolls there are, and that what another box lists
has an end. Must not: decide which rolls may be seen; see published.py.

Newest first. A page ends with the roll that takes it to LISTING_PAGE_BYTES; one that is shorter is
the last. Both ends count alike, so no message has to say that there is more, and a box that knows
no pages gets the newest ones and may answer with all of its own.
"""

from collections.abc import Iterable

from syncd.errors import PeerRefusedError
from syncd.handoff.published import is_served
from syncd.journal import rolls, same
from syncd.journal.journal import Journal
from syncd.journal.rolls import RollRow
from syncd.limits import LISTING_BYTES_MAX, LISTING_PAGE_BYTES
from syncd.ports import PeerCalls
from syncd.wire.messages import ALSO_MAX, ListedRoll, Listing, ListingAnswer

# Of one roll in a message: names of fields, numbers, id and stage, at most.
_BARE_BYTES = 144


def listing_after(journal: Journal, after: str | None) -> ListingAnswer:
    """Return the page behind a roll's id; without one, the first. Blocks.

    Raises PeerRefusedError if that roll is not known any more.
    """
    with journal.read() as db:
        last = None if after is None else rolls.get(db, after)
        rows = [row for row in rolls.all_rolls(db) if is_served(row)]
        names = same.names_of(db)
    if after is not None and last is None:
        raise PeerRefusedError(
            f"No roll has the id {after} any more.", remedy="List the rolls again."
        )
    rows.sort(key=_age, reverse=True)
    listed = (
        _listed(row, names.get(row.roll_id, ()))
        for row in rows
        if last is None or _age(row) < _age(last)
    )
    return ListingAnswer(rolls=page_of(listed))


def page_of(listed: Iterable[ListedRoll]) -> tuple[ListedRoll, ...]:
    """Return the first of them, as many as one page takes."""
    page: list[ListedRoll] = []
    filled_bytes = 0
    for roll in listed:
        if filled_bytes >= LISTING_PAGE_BYTES:
            break
        page.append(roll)
        filled_bytes += _listed_bytes(roll)
    return tuple(page)


async def list_all(calls: PeerCalls, peer: str) -> list[ListedRoll]:
    """Ask for every page; newest first.

    Raises PeerUnreachableError or PeerRefusedError, also if it has no end.
    """
    found: dict[str, ListedRoll] = {}
    after: str | None = None
    left_bytes = LISTING_BYTES_MAX
    while left_bytes > 0:
        answer: ListingAnswer = await calls.ask(Listing(after=after))
        known = len(found)
        found |= {roll.roll_id: roll for roll in answer.rolls}
        page_bytes = sum(_listed_bytes(roll) for roll in answer.rolls)
        if page_bytes < LISTING_PAGE_BYTES or len(found) == known:
            return list(found.values())
        left_bytes -= page_bytes
        after = answer.rolls[-1].roll_id
    raise PeerRefusedError(
        f"{peer} lists {len(found)} rolls and more, which cannot be right.",
        remedy="Run the same version of syncd on both boxes.",
    )


def _age(row: RollRow) -> tuple[int, str]:
    return row.arrived_utc_ms, row.roll_id


def _listed(row: RollRow, also: Iterable[str]) -> ListedRoll:
    return ListedRoll(
        roll_id=row.roll_id,
        day=row.day,
        name=row.name,
        stage=row.stage,
        total_bytes=row.total_bytes,
        file_count=row.file_count,
        also=tuple(also)[-ALSO_MAX:],
    )


def _listed_bytes(roll: ListedRoll) -> int:
    """Return an upper bound of what one roll takes in a message."""
    texts = (roll.day, roll.name, *roll.also)
    return _BARE_BYTES + sum(len(text.encode()) + 3 for text in texts)
