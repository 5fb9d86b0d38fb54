"""A storage's box that has never enough of one roll, and says what no honest one would.

Owns: what its desk answers in the place of the truth, for as long as it does so.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from syncd.handoff import efforts as _efforts
from syncd.roll.parcels import to_bitmap
from syncd.wire.messages import (
    Offer,
    OfferAnswer,
    OfferKind,
    PeerIdentity,
    Tiding,
    Tidings,
    TidingsAnswer,
)
from tests.faults.scenes import row_of
from tests.faults.world import World

PATH = "Clips/C000.mov"


class Greedy:
    """The desk of a world's storage, as one roll meets it; asked: how often that was offered."""

    def __init__(self, world: World, name: str) -> None:
        parts = world.processing.parts
        assert parts is not None
        self.asked = 0
        self.desk: Any = parts.desk
        self.own_tidings, self.own_answer = self.desk._tidings, self.desk._answer
        self._world, self._name = world, name

    def _roll_id(self) -> str:
        row = row_of(self._world.offload, self._name)
        return "" if row is None else row.roll_id

    async def tidings(self, peer: PeerIdentity, question: Tidings) -> TidingsAnswer:
        """Say nothing of the roll but that it is to go on, and that a file is to come again."""
        answer: TidingsAnswer = await self.own_tidings(peer, replace(question, wait_s=0.5))
        roll_id = self._roll_id()
        others = tuple(each for each in answer.notices if each.roll_id != roll_id)
        seq = answer.notices[-1].seq if answer.notices else question.after
        body = {"note": "", "data": {"path": PATH}}
        said = tuple(
            Tiding(seq=seq, notice_id="x", roll_id=roll_id, kind=kind, at_utc_ms=1, body=body)
            for kind in ("released", "reading-back", "resend")
        )
        return replace(answer, notices=(*others, *said) if roll_id else others)

    async def answer(self, peer: PeerIdentity, question: Any) -> Any:
        """Answer offers of the roll with what it would have, and all else as the desk does."""
        answer = await self.own_answer(peer, question)
        if isinstance(question, Offer) and question.roll_id == self._roll_id():
            self.asked += 1
            return self.would_have(question, answer)
        return answer

    def would_have(self, head: Offer, answer: OfferAnswer) -> OfferAnswer:
        """Ask for every parcel, also for those that it has."""
        if answer.kind not in {OfferKind.TAKE, OfferKind.HAVE}:
            return answer
        lacking = to_bitmap(range(head.parcel_count), head.parcel_count)
        return OfferAnswer(kind=OfferKind.TAKE, lacking=lacking)


class Hashing(Greedy):
    """One that has a roll without evidence hashed for a comparison, again and again."""

    def would_have(self, *_: object) -> OfferAnswer:
        """Ask for digests, also of what comes with digests."""
        return OfferAnswer(kind=OfferKind.DIGESTS)


@contextmanager
def greedy(world: World, name: str, kind: type[Greedy] = Greedy) -> Iterator[Greedy]:
    """Have the storage's box be greedy for a roll within the block; it runs already."""
    it = kind(world, name)
    it.desk._tidings, it.desk._answer = it.tidings, it.answer
    try:
        yield it
    finally:
        it.desk._tidings, it.desk._answer = it.own_tidings, it.own_answer


@contextmanager
def no_slack() -> Iterator[None]:
    """Let small rolls be done with as soon as large ones."""
    efforts: Any = _efforts  # limits are taken by name where they count
    before = efforts.EFFORT_SLACK_BYTES, efforts.EFFORT_ITEM_BYTES
    efforts.EFFORT_SLACK_BYTES, efforts.EFFORT_ITEM_BYTES = 0, 1
    try:
        yield
    finally:
        efforts.EFFORT_SLACK_BYTES, efforts.EFFORT_ITEM_BYTES = before


def sent_bytes(world: World) -> int:
    """Return how much the offload box has sent on lanes, all in all."""
    assert world.offload.parts is not None
    assert world.offload.parts.handover is not None
    return world.offload.parts.handover.stats.payload_bytes
