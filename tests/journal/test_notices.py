"""The outbox: numbers, ids, narrowing, cursors."""

from syncd.journal import notices, rolls
from syncd.journal.journal import Journal
from syncd.journal.notices import Delivery
from tests.journal.samples import NOW, add


def test_numbers_grow_and_ids_are_stable(journal: Journal) -> None:
    """An id is the journal's id and the number: the same whenever it is read."""
    with journal.write() as db:
        added = [notices.add(db, None, "hello", now_utc_ms=NOW + n) for n in range(3)]
        assert [notice.notice_id for notice in added] == ["j-1", "j-2", "j-3"]
        assert notices.after(db, 0) == added
        assert notices.after(db, 1, limit=1) == added[1:2]
        assert added[0].body == {"roll": None, "stage": None, "note": "", "data": {}}


def test_notices_can_be_narrowed_to_rolls_and_kinds(journal: Journal) -> None:
    """None means all; nothing named means nothing."""
    with journal.write() as db:
        one, other = add(db), add(db, "B007")
        notices.add(db, one, "ready", now_utc_ms=NOW)
        assert [n.seq for n in notices.after(db, 0, roll_ids={one})] == [1, 3]
        assert [n.seq for n in notices.after(db, 0, kinds=["verified"])] == [1, 2]
        assert [n.seq for n in notices.after(db, 1, roll_ids={one, other}, kinds=["ready"])] == [3]
        assert notices.after(db, 0, kinds=[]) == []


def test_a_peer_reads_only_of_its_own_rolls(journal: Journal) -> None:
    """Nor of what is about no roll."""
    with journal.write() as db:
        one = add(db)
        rolls.set_peer(db, add(db, "B007"), "other-1")
        notices.add(db, None, "hello", now_utc_ms=NOW)
        assert [n.roll_id for n in notices.after_for_peer(db, 0, "process-1")] == [one]
        assert notices.after_for_peer(db, 1, "process-1") == []


def test_forgotten_numbers_are_not_given_again(journal: Journal) -> None:
    """A cursor beyond the pruned ones stays right; a reader can see that it missed some."""
    with journal.write() as db:
        assert (notices.oldest_seq(db), notices.last_seq(db)) == (1, 0)
        for _ in range(5):
            notices.add(db, None, "hello", now_utc_ms=NOW)
        assert notices.prune(db, 3) == 3
        assert (notices.oldest_seq(db), notices.last_seq(db)) == (4, 5)
        assert notices.prune(db, 5) == 2
        assert (notices.oldest_seq(db), notices.last_seq(db)) == (6, 5)
        assert notices.add(db, None, "hello", now_utc_ms=NOW).seq == 6


def test_a_new_subscriber_starts_at_the_end(journal: Journal) -> None:
    """A command added today does not run for last week; a known one goes on where it was."""
    with journal.write() as db:
        notices.add(db, None, "old", now_utc_ms=NOW)
        assert notices.cursor(db, "command-1") == 0
        assert notices.begin(db, "command-1") == 1
        notices.add(db, None, "new", now_utc_ms=NOW)
        assert notices.begin(db, "command-1") == notices.cursor(db, "command-1") == 1


def test_deliveries_are_forgotten_behind_the_cursor(journal: Journal) -> None:
    """Beyond it they stay: what went well there must not be told again."""
    with journal.write() as db:
        for seq, outcome in ((1, notices.OUTCOME_DELIVERED), (3, notices.OUTCOME_DELIVERED)):
            notices.record_attempt(db, Delivery("command-1", seq, 1, NOW, outcome))
        notices.set_cursor(db, "command-1", 2)
        assert notices.deliveries(db, "command-1") == {
            3: Delivery("command-1", 3, 1, NOW, "delivered"),
        }


def test_the_head_of_each_roll_is_what_may_be_told_next(journal: Journal) -> None:
    """Of the kinds asked for, behind the cursor; what was told is over."""
    with journal.write() as db:
        first, second = add(db, "A012"), add(db, "B007")
        notices.begin(db, "command-1")
        told, waits, fresh, _later = (
            notices.add(db, roll_id, "ready", now_utc_ms=NOW).seq
            for roll_id in (first, first, second, first)
        )
        notices.add(db, second, "landed", now_utc_ms=NOW)
        notices.record_attempt(db, Delivery("command-1", told, 1, NOW, notices.OUTCOME_DELIVERED))
        notices.record_attempt(db, Delivery("command-1", waits, 4, NOW + 5))

        heads = notices.heads(db, "command-1", ("ready",))
        assert heads == [Delivery("command-1", waits, 4, NOW + 5), Delivery("command-1", fresh)]
        assert notices.served_up_to(db, "command-1", ("ready",)) == told

        notices.hasten(db, roll_id=second)
        notices.hasten(db, subscriber="command-2")
        assert notices.heads(db, "command-1", ("ready",)) == heads
        notices.hasten(db, roll_id=first)
        assert notices.heads(db, "command-1", ("ready",))[0].next_at_utc_ms == 0
