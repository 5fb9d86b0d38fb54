"""A listing of however many rolls: page by page, each within one message, and with an end."""

from collections.abc import Callable
from typing import Any

import pytest

from syncd.errors import PeerRefusedError
from syncd.handoff import listing
from syncd.handoff.listing import list_all, listing_after, page_of
from syncd.journal import rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin
from syncd.limits import CONTROL_BODY_BYTES_MAX
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.stages import Stage
from syncd.wire.messages import ALSO_MAX, ListedRoll, Listing, ListingAnswer, pack, unpack
from tests.faults.world import DAY
from tests.journal.conftest import journal

__all__ = ["journal"]

MANY = 9_000  # rolls; a message holds about 8,000


def _listed(number: int, *, name: str = "", also: tuple[str, ...] = ()) -> ListedRoll:
    return ListedRoll(
        roll_id=f"{number:032x}",
        day=DAY,
        name=name or f"A{number:05}",
        stage=Stage.READY,
        total_bytes=(1 << 63) - 1,
        file_count=(1 << 63) - 1,
        also=also,
    )


def _put(journal: Journal, count: int) -> list[str]:
    """Let a journal know so many ready rolls; return their ids, newest first."""
    made = [
        Inventory(DAY, f"A{number:05}", (FileEntry("C001.mov", number, 1, ()),))
        for number in range(count)
    ]
    with journal.write() as db:
        for number, each in enumerate(made):
            rolls.add_roll(
                db,
                each,
                origin=Origin.PEER,
                peer="offload-1",
                stage=Stage.READY,
                rank=number % 7,
                now_utc_ms=1 + number,
            )
            rolls.set_published(db, each.roll_id, f"{DAY}/{each.name}")
    return [each.roll_id for each in reversed(made)]


class Asked:
    """Answers as a box does that answers for itself; asked: what it was asked."""

    def __init__(self, answer: Callable[[Listing], ListingAnswer]) -> None:
        self._answer = answer
        self.asked: list[Listing] = []

    async def ask(self, question: Any) -> Any:
        """Let the question and its answer travel."""
        question = unpack(Listing, pack(question))
        self.asked.append(question)
        return unpack(ListingAnswer, pack(self._answer(question)))

    async def close(self) -> None:
        """Hold nothing."""


@pytest.mark.parametrize(
    ("name", "also"),
    [("", ()), ("é" * 127, ("é" * 255,) * ALSO_MAX), ("n" * 200, ("x",) * ALSO_MAX), ("x", ())],
)
def test_each_page_fits_one_message(name: str, also: tuple[str, ...]) -> None:
    """Whatever the rolls are called, and none is left out."""
    left = [_listed(number, name=name, also=also) for number in range(MANY)]
    while left:
        page = page_of(left)
        assert len(pack(ListingAnswer(rolls=page))) <= CONTROL_BODY_BYTES_MAX
        assert page == tuple(left[: len(page)])
        assert page
        left = left[len(page) :]


async def test_more_rolls_than_one_message_holds_are_listed(journal: Journal) -> None:
    """All of them, once each, the newest first, in two questions."""
    ids = _put(journal, MANY)
    box = Asked(lambda question: listing_after(journal, question.after))
    assert [roll.roll_id for roll in await list_all(box, "process-1")] == ids
    assert len(box.asked) == 2


async def test_a_box_that_knows_no_pages_is_understood_and_understands() -> None:
    """It is asked as ever, with no field more, and once if all fits one message."""
    assert pack(Listing()) == b"\x80"
    every = tuple(_listed(number) for number in range(5000))
    box = Asked(lambda _: ListingAnswer(rolls=every))
    assert await list_all(box, "process-1") == list(every)
    assert len(box.asked) == 1


async def test_what_a_box_that_knows_no_pages_is_listed_are_the_newest(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As many as one message holds, in the place of an error."""
    monkeypatch.setattr(listing, "LISTING_PAGE_BYTES", 2000)
    ids = _put(journal, 40)
    page = listing_after(journal, None).rolls
    assert 5 < len(page) < 40
    assert [roll.roll_id for roll in page] == ids[: len(page)]


async def test_a_listing_that_is_cut_in_many_pages_is_whole(
    journal: Journal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where the last page is full."""
    ids = _put(journal, 30)
    for page_bytes in range(100, 2000, 171):
        monkeypatch.setattr(listing, "LISTING_PAGE_BYTES", page_bytes)
        box = Asked(lambda question: listing_after(journal, question.after))
        assert [roll.roll_id for roll in await list_all(box, "process-1")] == ids


def test_a_page_behind_a_roll_that_is_not_known_is_refused(journal: Journal) -> None:
    """In words that say what to do."""
    with pytest.raises(PeerRefusedError, match="List the rolls again"):
        listing_after(journal, "ab" * 16)


@pytest.mark.parametrize("is_new", [True, False])
async def test_a_listing_without_end_has_one(is_new: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whether there is always something new in it, or always the same."""
    monkeypatch.setattr(listing, "LISTING_PAGE_BYTES", 2000)
    monkeypatch.setattr(listing, "LISTING_BYTES_MAX", 50_000)
    count = 0

    def answer(_: Listing) -> ListingAnswer:
        nonlocal count
        count += is_new
        return ListingAnswer(rolls=tuple(_listed(100 * count + n) for n in range(20)))

    box = Asked(answer)
    if is_new:
        with pytest.raises(PeerRefusedError, match="cannot be right"):
            await list_all(box, "process-1")
    else:
        assert len(await list_all(box, "process-1")) == 20
    assert len(box.asked) < 20
