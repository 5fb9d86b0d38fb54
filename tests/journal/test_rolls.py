"""Rolls in the journal: stages, holding, order, and the notice that goes with each change."""

import time

import pytest

from syncd.journal import history, notices, rolls, untold
from syncd.journal.journal import Connection, Journal
from syncd.journal.rolls import HeldNote, Origin
from syncd.roll.inventory import FileEntry, FileKind
from syncd.roll.stages import HeldCode, Stage
from tests.journal.samples import DAY, NOW, add, roll_of

FULL = HeldCode.STORAGE_FULL


def kinds(db: Connection) -> list[str]:
    """Return the kinds of all notices, oldest first."""
    return [notice.kind for notice in notices.after(db, 0)]


def stage_of(db: Connection, roll_id: str) -> Stage:
    """Return a roll's stage as people see it."""
    row = rolls.get(db, roll_id)
    assert row is not None
    return row.shown_stage


def test_an_inventory_comes_back_as_it_was_frozen(journal: Journal) -> None:
    """Order, times to the nanosecond, digests, kinds and empty folders included."""
    with journal.write() as db:
        roll_id = add(db)

    with journal.read() as db:
        loaded = rolls.load_inventory(db, roll_id)
        row = rolls.get(db, roll_id)
    assert loaded == roll_of()
    assert loaded.roll_id == roll_id
    assert row is not None
    assert (row.total_bytes, row.file_count, row.moved_bytes) == (3010, 4, 0)
    assert (row.peer, row.stage, row.held, row.paused) == ("process-1", Stage.VERIFIED, None, False)


def test_the_same_roll_again_is_known(journal: Journal) -> None:
    """One content is one roll, and nothing is said twice."""
    with journal.write() as db:
        add(db)
        again = rolls.add_roll(
            db, roll_of(), origin=Origin.PEER, peer="x", stage=Stage.MOVING, now_utc_ms=NOW + 1
        )
        assert not again
        assert kinds(db) == ["verified"]


def test_an_arriving_roll_becomes_the_verified_one(journal: Journal) -> None:
    """It keeps its history, its time of arrival and the order given meanwhile; a hold ends."""
    source = f"/landing/{DAY}/A012"
    with journal.write() as db:
        arriving = rolls.add_arriving(db, DAY, "A012", source_path=source, now_utc_ms=NOW)
        assert rolls.add_arriving(db, DAY, "A012", source_path=source, now_utc_ms=NOW + 1)
        rolls.set_order(db, arriving, rank=-1, now_utc_ms=NOW)
        rolls.hold(db, arriving, HeldCode.FILE_MISSING, "one is missing", "x", now_utc_ms=NOW)

        roll_id = add(db, now_utc_ms=NOW + 9000)

        (row,) = rolls.all_rolls(db)
        assert row.roll_id == roll_id
        assert (row.rank, row.rank_set_by_hand, row.arrived_utc_ms) == (-1, True, NOW)
        assert (row.stage, row.held, row.file_count) == (Stage.VERIFIED, None, 4)
        shown = [line.stage for line in history.read(db, roll_id)]
        assert shown == [*[Stage.ARRIVING] * 2, Stage.HELD, Stage.ARRIVING, Stage.VERIFIED]
        assert history.read(db, roll_id)[3].note == "no longer held (file-missing)"


def test_an_arriving_roll_of_known_content_goes_away(journal: Journal) -> None:
    """The card offered a second time does not stay in the list as arriving."""
    with journal.write() as db:
        roll_id = add(db)
        source = f"/landing/{DAY}/A012"
        rolls.add_arriving(db, DAY, "A012", source_path=source, now_utc_ms=NOW)
        known = rolls.add_roll(
            db,
            roll_of(),
            origin=Origin.LANDING,
            peer=None,
            stage=Stage.VERIFIED,
            source_path=source,
            now_utc_ms=NOW,
        )
        assert not known
        assert [row.roll_id for row in rolls.all_rolls(db)] == [roll_id]


def test_a_name_that_is_not_utf_8_can_be_shown(journal: Journal) -> None:
    """Its bytes are shown escaped; the list of rolls works on."""
    with journal.write() as db:
        roll_id = rolls.add_arriving(db, DAY, "A\udcff", source_path="/x/A\udcff", now_utc_ms=NOW)
        rolls.hold(db, roll_id, HeldCode.NAME_UNSAFE, "not UTF-8", "A\udcff", now_utc_ms=NOW)
        (row,) = rolls.all_rolls(db)

    assert row.name == "A\\xff"
    assert row.shown_stage is Stage.HELD


def test_only_what_was_never_verified_can_be_removed(journal: Journal) -> None:
    """A verified roll stays in the record for good."""
    with journal.write() as db:
        arriving = rolls.add_arriving(db, DAY, "B007", source_path="/x", now_utc_ms=NOW)
        rolls.remove_roll(db, arriving)
        roll_id = add(db)
        with pytest.raises(AssertionError):
            rolls.remove_roll(db, roll_id)
        assert [row.name for row in rolls.all_rolls(db)] == ["A012"]


def test_a_roll_goes_its_way_with_a_notice_for_each_stage(journal: Journal) -> None:
    """History and outbox say the same, in the same transaction."""
    way = [Stage.MOVING, Stage.READING_BACK, Stage.LANDED, Stage.READY]
    with journal.write() as db:
        roll_id = add(db)
        for after_ms, stage in enumerate(way, 1):
            now = NOW + after_ms
            assert rolls.set_stage(
                db, roll_id, stage, now_utc_ms=now, note=f"now {stage}", data={"n": after_ms}
            )
        assert kinds(db) == ["verified", *way]
        assert [line.stage for line in history.read(db, roll_id)] == [Stage.VERIFIED, *way]
        last = notices.after(db, 0)[-1]

    assert last.body == {
        "roll": {"id": roll_id, "name": "A012", "day": DAY},
        "stage": "ready",
        "note": "now ready",
        "data": {"n": 4},
    }
    assert last.at_utc_ms == NOW + 4


@pytest.mark.parametrize(
    ("now", "then", "moves"),
    [
        (Stage.VERIFIED, Stage.VERIFIED, False),
        (Stage.READING_BACK, Stage.MOVING, True),  # a repair
        (Stage.MOVING, Stage.VERIFIED, True),
        (Stage.READING_BACK, Stage.VERIFIED, False),
        (Stage.READY, Stage.LANDED, False),
        (Stage.READY, Stage.MOVING, False),
        (Stage.VERIFIED, Stage.READY, True),
    ],
)
def test_late_and_repeated_news_change_nothing(
    journal: Journal, now: Stage, then: Stage, moves: bool
) -> None:
    """A roll goes back only for a repair, or when its sending ended without a result."""
    with journal.write() as db:
        roll_id = add(db, stage=now)
        before = kinds(db)
        assert rolls.set_stage(db, roll_id, then, now_utc_ms=NOW) is moves
        assert stage_of(db, roll_id) is (then if moves else now)
        assert (kinds(db) == before) is not moves


def test_a_held_roll_shows_held_until_released(journal: Journal) -> None:
    """With code, message and path; the same reason again is not said again."""
    with journal.write() as db:
        roll_id = add(db)
        for _ in range(2):
            rolls.hold(db, roll_id, FULL, "no room", "Clips/a.mov", now_utc_ms=NOW)
        row = rolls.get(db, roll_id)
        assert row is not None
        assert row.held == HeldNote(FULL, "no room", "Clips/a.mov")
        assert (row.shown_stage, row.stage) == (Stage.HELD, Stage.VERIFIED)
        held = notices.after(db, 0)[-1]
        assert held.body["stage"] == "held"
        assert held.body["data"] == {
            "code": "storage-full",
            "message": "no room",
            "path": "Clips/a.mov",
        }

        assert rolls.release(db, roll_id, now_utc_ms=NOW)
        assert not rolls.release(db, roll_id, now_utc_ms=NOW)

        assert kinds(db) == ["verified", "held", "released"]
        assert stage_of(db, roll_id) is Stage.VERIFIED


def test_another_reason_to_hold_is_news(journal: Journal) -> None:
    """The newest reason is the one shown."""
    with journal.write() as db:
        roll_id = add(db)
        rolls.hold(db, roll_id, FULL, "no room", None, now_utc_ms=NOW)
        assert rolls.hold(db, roll_id, FULL, "still less room", None, now_utc_ms=NOW)
        assert kinds(db) == ["verified", "held", "held"]


def test_the_next_stage_ends_a_hold(journal: Journal) -> None:
    """What goes on is not held; its history and its notices say so before they say the stage."""
    with journal.write() as db:
        roll_id = add(db)
        rolls.hold(db, roll_id, FULL, "no room", None, now_utc_ms=NOW)
        rolls.set_stage(db, roll_id, Stage.MOVING, now_utc_ms=NOW)
        assert stage_of(db, roll_id) is Stage.MOVING
        lines = [(line.stage, line.note) for line in history.read(db, roll_id)][-2:]
        assert lines == [(Stage.VERIFIED, "no longer held (storage-full)"), (Stage.MOVING, "")]
        assert kinds(db) == ["verified", "held", "released", "moving"]


def test_a_hold_that_ended_without_a_word_is_said_to_have_ended_with_the_next_stage(
    journal: Journal,
) -> None:
    """What was too much to be told at once is not left out of the history for good."""
    with journal.write() as db:
        roll_id = add(db)
        rolls.hold(db, roll_id, FULL, "no room", None, now_utc_ms=NOW)
        rolls.release(db, roll_id, now_utc_ms=NOW, quiet=True)
        rolls.set_stage(db, roll_id, Stage.MOVING, now_utc_ms=NOW)
        assert [line.note for line in history.read(db, roll_id)][-2:] == ["no longer held", ""]
        assert not untold.some(db, limit=1)


def test_rolls_are_listed_in_the_order_in_which_they_go(journal: Journal) -> None:
    """Rank, then needed-by with none last, then arrival: as design.md's "Order" says."""
    with journal.write() as db:
        add(db, "D", now_utc_ms=NOW + 1)
        add(db, "C", now_utc_ms=NOW)
        add(db, "B", needed_by_utc_ms=NOW + 10, now_utc_ms=NOW + 2)
        add(db, "A", rank=10, now_utc_ms=NOW + 3)
        assert [row.name for row in rolls.all_rolls(db)] == ["A", "B", "C", "D"]


def test_order_set_by_hand_is_marked_and_told(journal: Journal) -> None:
    """What is left out stays; None takes a needed-by away."""
    with journal.write() as db:
        roll_id = add(db, needed_by_utc_ms=NOW)
        rolls.set_order(db, roll_id, rank=-3, now_utc_ms=NOW)
        row = rolls.get(db, roll_id)
        assert row is not None
        assert (row.rank, row.rank_set_by_hand, row.needed_by_utc_ms) == (-3, True, NOW)

        rolls.set_order(db, roll_id, needed_by_utc_ms=None, now_utc_ms=NOW)
        row = rolls.get(db, roll_id)
        assert row is not None
        assert (row.rank, row.needed_by_utc_ms) == (-3, None)
        assert kinds(db) == ["verified", "order", "order"]


def test_a_roll_answers_to_name_day_and_name_id_and_start_of_id(journal: Journal) -> None:
    """Everything that a name may mean is returned; the caller decides if that is one too many."""
    with journal.write() as db:
        roll_id = add(db)
        add(db, "B007")
        rolls.add_arriving(db, "2026-03-15_D13", "A012", source_path="/x", now_utc_ms=NOW)

        def found(text: str) -> list[str]:
            return [f"{row.day}/{row.name}" for row in rolls.find(db, text)]

        assert found("B007") == [f"{DAY}/B007"]
        assert sorted(found("A012")) == [f"{DAY}/A012", "2026-03-15_D13/A012"]
        assert found(f"{DAY}/A012") == [f"{DAY}/A012"]
        assert found(roll_id) == found(roll_id[:6]) == [f"{DAY}/A012"]
        assert found(roll_id[:5]) == found("") == found("%") == found("Z999") == []


def test_unfinished_rolls_are_those_between_verified_and_ready(journal: Journal) -> None:
    """A fetch is unfinished until it is fetched; other offers of the same content never are."""
    with journal.write() as db:
        add(db, "A", stage=Stage.VERIFIED)
        add(db, "B", stage=Stage.LANDED)
        add(db, "C", stage=Stage.READY)
        rolls.add_arriving(db, DAY, "D", source_path="/x", now_utc_ms=NOW)
        rolls.set_same_as(db, add(db, "E"), "other")
        add(db, "F", stage=Stage.READY, origin=Origin.FETCH)
        fetched = add(db, "G", stage=Stage.FETCHED, origin=Origin.FETCH)

        assert [row.name for row in rolls.unfinished(db, Origin.LANDING)] == ["A", "B"]
        assert [row.name for row in rolls.unfinished(db, Origin.FETCH)] == ["F"]

        assert rolls.forget_fetch(db, fetched)
        assert rolls.get(db, fetched) is None


def test_small_facts_are_kept(journal: Journal) -> None:
    """Progress, forecast, pause, path, publish intent."""
    with journal.write() as db:
        roll_id = add(db)
        rolls.set_moved(db, roll_id, 7)
        rolls.set_expected(db, {roll_id: NOW + 5})
        rolls.set_paused(db, roll_id, True)
        rolls.set_published(db, roll_id, f"/rolls/{DAY}/A012")
        rolls.set_peer(db, roll_id, "process-2")
        rolls.set_publish_intent(db, roll_id, "rename")
        row = rolls.get(db, roll_id)
        assert row is not None
        assert (row.moved_bytes, row.expected_utc_ms, row.paused) == (7, NOW + 5, True)
        assert (row.published_path, row.peer) == (f"/rolls/{DAY}/A012", "process-2")
        assert rolls.publish_intent(db, roll_id) == "rename"

        assert not rolls.is_all_paused(db)
        rolls.set_paused(db, None, True)
        assert rolls.is_all_paused(db)
        rolls.set_paused(db, None, False)
        assert not rolls.is_all_paused(db)
        assert kinds(db) == ["verified"]


def test_a_published_roll_has_the_evidence_that_lies_on_the_storage(journal: Journal) -> None:
    """Its media stay as frozen, and so does its id; the new generation is among its files."""
    newer = FileEntry("ascmhl/0002.mhl", 20, 6, kind=FileKind.EVIDENCE)
    with journal.write() as db:
        roll_id = add(db)
        rolls.set_published(db, roll_id, "/rolls/A012")
        assert rolls.load_published_inventory(db, roll_id) == roll_of()

        rolls.set_published(db, roll_id, "/rolls/A012", [newer])
        published = rolls.load_published_inventory(db, roll_id)

    assert published.roll_id == roll_id
    assert [entry.path for entry in published.files[-2:]] == ["Clips/A012C000002.mov", newer.path]
    assert published.files[:3] == roll_of().files[:3]


def test_a_roll_of_many_files_is_journalled_quickly(journal: Journal) -> None:
    """20,000 files take well under a second here; the bound only catches a wrong shape."""
    inventory = roll_of(file_count=20_000)
    started_s = time.process_time()
    with journal.write() as db:
        rolls.add_roll(
            db, inventory, origin=Origin.PEER, peer="x", stage=Stage.MOVING, now_utc_ms=NOW
        )
    with journal.read() as db:
        assert rolls.load_inventory(db, inventory.roll_id) == inventory
    assert time.process_time() - started_s < 5
