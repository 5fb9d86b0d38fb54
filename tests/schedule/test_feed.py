"""The feed: urgent first, decided anew at each parcel; nothing lost, nothing twice."""

import threading
from dataclasses import dataclass

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from syncd.errors import HeldError
from syncd.roll.parcels import ParcelOrder
from syncd.roll.stages import HeldCode
from syncd.schedule.feed import Feed
from syncd.schedule.order import Place


@dataclass(frozen=True)
class Parcels:
    """A plan of count parcels; parcel n has n + 1 bytes, so that no two sums are alike."""

    count: int

    def length_bytes(self, number: int) -> int:
        """Return the length of a parcel."""
        assert 0 <= number < self.count
        return number + 1


SOON, LATER = Place(10, None, 0), Place(100, None, 0)


def feed_of(**rolls: int) -> Feed:
    """Return a feed with rolls of so many parcels, all lacking, in the order given."""
    feed = Feed(lambda: None)
    for arrived, (roll_id, count) in enumerate(rolls.items()):
        feed.offer(roll_id, Place(100, None, arrived), range(count), Parcels(count))
    return feed


def taken(feed: Feed, lane: int = 0, *, confirm: bool = True) -> list[str]:
    """Take all that is handed out, as "A0"."""
    orders = []
    while (order := feed.next(lane)) is not None:
        orders.append(f"{order.roll_id}{order.number}")
        if confirm:
            feed.confirmed(lane, order)
    return orders


def test_rolls_go_by_place_and_parcels_ascend() -> None:
    """Among equal ranks the roll that came first goes first, whole."""
    assert taken(feed_of(B=2, A=3)) == ["B0", "B1", "A0", "A1", "A2"]


def test_only_what_the_peer_lacks_is_handed_out() -> None:
    """The rest counts as moved from the start."""
    feed = Feed(lambda: None)
    feed.offer("A", SOON, {3, 1}, Parcels(5))
    assert feed.moved_bytes("A") == 1 + 3 + 5
    assert taken(feed) == ["A1", "A3"]
    assert feed.is_done("A")
    assert feed.moved_bytes("A") == 15
    assert feed.total_moved_bytes() == 2 + 4


def test_a_rush_roll_overtakes_in_mid_roll() -> None:
    """At the very next parcel, by a new offer or by a new place."""
    feed = feed_of(A=3, B=1)
    feed.next(0)
    feed.offer("R", SOON, {0}, Parcels(1))
    assert feed.active() == ("R", "A", "B")
    assert feed.next(0) == ParcelOrder("R", 0)
    feed.reorder("B", Place(-1, None, 0))
    assert feed.next(1) == ParcelOrder("B", 0)
    assert feed.next(1) == ParcelOrder("A", 1)


def test_a_pause_holds_one_roll_or_all() -> None:
    """And survives that the roll is offered anew."""
    feed = feed_of(A=1, B=1)
    feed.pause("A")
    feed.offer("A", SOON, {0}, Parcels(1))
    assert taken(feed) == ["B0"]
    feed.pause(None)
    feed.go("A")
    assert taken(feed) == []
    feed.go(None)
    assert taken(feed) == ["A0"]


def test_a_lost_lane_gives_back_what_was_not_confirmed() -> None:
    """It counts as sent twice only once it is handed out again."""
    feed = feed_of(A=4)
    first = feed.next(0)
    assert first is not None
    taken(feed, 1, confirm=False)
    feed.confirmed(0, first)

    feed.lane_lost(1)
    assert feed.resent_bytes() == 0
    assert feed.moved_bytes("A") == 1

    assert taken(feed) == ["A1", "A2", "A3"]
    assert feed.resent_bytes() == 2 + 3 + 4


def test_late_news_of_a_lost_lane_changes_nothing() -> None:
    """The parcel is on another lane by then, and that lane's word counts."""
    feed = feed_of(A=1)
    order = feed.next(0)
    assert order is not None
    feed.lane_lost(0)
    assert feed.next(1) == order
    feed.confirmed(0, order)
    assert not feed.is_done("A")
    feed.confirmed(1, order)
    assert feed.is_done("A")


def test_a_parcel_on_a_lane_is_not_handed_out_by_a_new_offer() -> None:
    """It goes once more after that: its confirmation may be older than the peer's answer."""
    feed = feed_of(A=2)
    order = feed.next(0)
    assert order is not None
    feed.withdraw("A")
    assert feed.moved_bytes("A") == 0
    feed.offer("A", SOON, {0, 1}, Parcels(2))
    assert taken(feed, 1) == ["A1"]
    feed.confirmed(0, order)
    assert not feed.is_done("A")
    assert feed.resent_bytes() == 0
    assert taken(feed, 1) == ["A0"]
    assert feed.is_done("A")
    assert feed.resent_bytes() == 1


def test_a_confirmation_counts_if_the_peer_did_not_ask_for_the_parcel_again() -> None:
    """A new offer that finds it durable leaves nothing to do."""
    feed = feed_of(A=2)
    order = feed.next(0)
    assert order is not None
    feed.offer("A", SOON, {1}, Parcels(2))
    feed.confirmed(0, order)
    assert feed.moved_bytes("A") == 1
    assert taken(feed) == ["A1"]
    assert feed.resent_bytes() == 0


def test_after_a_break_nothing_is_handed_out_before_the_roll_is_offered_anew() -> None:
    """So no parcel is under way when the peer says what it lacks, and none travels twice for it."""
    feed = feed_of(A=2)
    assert feed.next(0) is not None
    feed.lane_lost(0)

    feed.await_offers()
    assert feed.next(0) is None

    feed.offer("A", SOON, {0, 1}, Parcels(2))
    assert taken(feed) == ["A0", "A1"]
    assert feed.is_done("A")
    assert feed.resent_bytes() == 1
    assert feed.take_outcomes() == []


@pytest.mark.parametrize("side", ["peer", "source"])
def test_a_parcel_that_cannot_be_moved_stops_its_roll(side: str) -> None:
    """Once, with the reason; other rolls go on; a new offer starts it again."""
    changes: list[int] = []
    feed = Feed(lambda: changes.append(1))
    feed.offer("A", SOON, range(3), Parcels(3))
    feed.offer("B", LATER, {0}, Parcels(1))
    for order in (feed.next(0), feed.next(0)):
        assert order is not None
        if side == "peer":
            feed.declined(0, order, HeldCode.STORAGE_FULL, "no room", "x.mov")
        else:
            error = HeldError(HeldCode.STORAGE_FULL, "no room", remedy="", path="x.mov")
            feed.unreadable(0, order, error)

    (outcome,) = feed.take_outcomes()
    assert outcome.roll_id == "A"
    assert (outcome.error.code, outcome.error.path) == (HeldCode.STORAGE_FULL, "x.mov")
    assert feed.take_outcomes() == []
    assert len(changes) == 2
    assert taken(feed) == ["B0"]

    feed.offer("A", SOON, range(3), Parcels(3))
    assert taken(feed) == ["A0", "A1", "A2"]


@pytest.mark.parametrize("side", ["source", "peer"])
def test_a_parcel_handed_out_before_a_new_offer_stops_nothing(side: str) -> None:
    """What made it fail may be cured by then; it goes once more, and counts then."""
    feed = feed_of(A=2)
    order = feed.next(0)
    assert order is not None
    feed.withdraw("A")
    feed.offer("A", SOON, {0, 1}, Parcels(2))
    _fail(feed, side, order)
    assert not feed.take_outcomes()
    assert taken(feed, confirm=False) == ["A0", "A1"]
    _fail(feed, side, order)
    assert [outcome.roll_id for outcome in feed.take_outcomes()] == ["A"]


def _fail(feed: Feed, side: str, order: ParcelOrder) -> None:
    if side == "source":
        error = HeldError(HeldCode.SOURCE_CHANGED, "It was written to.", remedy="")
        feed.unreadable(0, order, error)
    else:
        feed.declined(0, order, HeldCode.STORAGE_FULL, "It has no room left.", None)


def test_news_of_a_withdrawn_roll_is_no_outcome() -> None:
    """Nobody waits for it any more."""
    feed = feed_of(A=1)
    order = feed.next(0)
    assert order is not None
    feed.withdraw("A")
    feed.declined(0, order, HeldCode.STORAGE_FULL, "no room", None)
    assert feed.take_outcomes() == []


def test_the_callback_may_ask_the_feed() -> None:
    """It is called without the lock; else this test would hang."""
    asked: list[bool] = []
    feed = Feed(lambda: asked.append(feed.is_done("A")))
    feed.offer("A", SOON, {0}, Parcels(1))
    taken(feed)
    assert asked == [True]


def test_lanes_in_threads_get_every_parcel_once() -> None:
    """Four lanes, two rolls, no parcel twice, none left."""
    feed = feed_of(A=300, B=300)
    per_lane: list[list[str]] = [[], [], [], []]

    def ride(lane: int) -> None:
        per_lane[lane] = taken(feed, lane)

    threads = [threading.Thread(target=ride, args=(lane,)) for lane in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    everything = sorted(order for lane in per_lane for order in lane)
    assert everything == sorted(f"{r}{n}" for r in "AB" for n in range(300))
    assert feed.is_done("A")
    assert feed.is_done("B")


class FeedMachine(RuleBasedStateMachine):
    """Anything may happen in any order; a plain model says what must hold."""

    def __init__(self) -> None:
        super().__init__()
        self.feed = Feed(lambda: None)
        self.places: dict[str, Place] = {}
        self.pending: dict[str, set[int]] = {}
        self.paused: set[str] = set()
        self.stopped: set[str] = set()
        self.flying: dict[ParcelOrder, int] = {}
        self.doubtful: set[ParcelOrder] = set()

    roll_ids = st.sampled_from("ABC")
    lanes = st.integers(0, 2)
    places_ = st.builds(Place, st.integers(0, 2), st.none() | st.integers(0, 2), st.integers(0, 2))

    @rule(roll_id=roll_ids, place=places_, lacking=st.sets(st.integers(0, 5)))
    def offer(self, roll_id: str, place: Place, lacking: set[int]) -> None:
        """Put a roll up, or put it up anew."""
        self.feed.offer(roll_id, place, lacking, Parcels(6))
        self.places[roll_id] = place
        self.pending[roll_id] = set(lacking)
        self.stopped.discard(roll_id)
        self.doubtful -= {order for order in self.flying if order.roll_id == roll_id}
        self.doubtful |= {order for order in self.flying if self.is_pending(order, roll_id)}

    def is_pending(self, order: ParcelOrder, roll_id: str) -> bool:
        """Tell whether an order is a pending parcel of this roll."""
        return order.roll_id == roll_id and order.number in self.pending[roll_id]

    @rule(roll_id=roll_ids)
    def withdraw(self, roll_id: str) -> None:
        """Take a roll away."""
        self.feed.withdraw(roll_id)
        for known in (self.places, self.pending):
            known.pop(roll_id, None)
        self.stopped.discard(roll_id)
        self.paused.discard(roll_id)

    @rule(roll_id=roll_ids, place=places_)
    def reorder(self, roll_id: str, place: Place) -> None:
        """Give a roll another place."""
        self.feed.reorder(roll_id, place)
        if roll_id in self.places:
            self.places[roll_id] = place

    @rule(roll_id=roll_ids)
    def pause_or_go(self, roll_id: str) -> None:
        """Begin or end a pause."""
        if roll_id in self.paused:
            self.feed.go(roll_id)
            self.paused.discard(roll_id)
        elif roll_id in self.places:
            self.feed.pause(roll_id)
            self.paused.add(roll_id)

    def ready(self) -> list[tuple[Place, str, int]]:
        """Return all that may be handed out, the most urgent first."""
        return sorted(
            (self.places[roll_id], roll_id, number)
            for roll_id, numbers in self.pending.items()
            if roll_id not in self.paused | self.stopped
            for number in numbers
            if ParcelOrder(roll_id, number) not in self.flying
        )

    @rule(lane=lanes)
    def hand_out(self, lane: int) -> None:
        """Expect the most urgent roll's first waiting parcel, or nothing if none waits."""
        ready = self.ready()
        expected = ParcelOrder(*ready[0][1:]) if ready else None
        assert self.feed.next(lane) == expected
        if expected is not None:
            self.flying[expected] = lane

    @precondition(lambda self: self.flying)
    @rule(data=st.data(), good=st.booleans())
    def land(self, data: st.DataObject, good: bool) -> None:
        """Confirm a parcel, or say that it could not be moved."""
        order = data.draw(st.sampled_from(sorted(self.flying, key=str)))
        lane = self.flying.pop(order)
        if good:
            self.feed.confirmed(lane, order)
            if order not in self.doubtful:
                self.pending.get(order.roll_id, set()).discard(order.number)
            self.doubtful.discard(order)
            return
        self.feed.declined(lane, order, HeldCode.STORAGE_ERROR, "no", None)
        is_lacking = order.number in self.pending.get(order.roll_id, set())
        if is_lacking and order not in self.doubtful:
            self.stopped.add(order.roll_id)
        self.doubtful.discard(order)

    @rule(lane=lanes)
    def lose(self, lane: int) -> None:
        """Cut a lane."""
        self.feed.lane_lost(lane)
        self.flying = {o: holder for o, holder in self.flying.items() if holder != lane}
        self.doubtful &= self.flying.keys()

    @invariant()
    def nothing_is_lost(self) -> None:
        """Compare what is pending, moved and done with the model."""
        assert sorted(self.feed.active()) == sorted(self.places)
        for roll_id, numbers in self.pending.items():
            assert self.feed.is_done(roll_id) == (not numbers)
            assert self.feed.moved_bytes(roll_id) == 21 - sum(number + 1 for number in numbers)

    def teardown(self) -> None:
        """In the end every parcel still lacking is handed out and confirmed."""
        for lane in range(3):
            self.feed.lane_lost(lane)
        for roll_id, numbers in self.pending.items():
            self.feed.go(roll_id)
            self.feed.offer(roll_id, self.places[roll_id], numbers, Parcels(6))
        handed_out = taken(self.feed)
        assert sorted(handed_out) == sorted(
            f"{roll_id}{number}" for roll_id, numbers in self.pending.items() for number in numbers
        )


TestFeedMachine = FeedMachine.TestCase
TestFeedMachine.settings = settings(max_examples=60, stateful_step_count=40, deadline=None)
