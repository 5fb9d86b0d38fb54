"""What is durable and what was proved, as storage relies on it."""

from syncd.journal import parcels
from syncd.journal.journal import Journal
from syncd.journal.parcels import Proof
from syncd.ports import ReadLevel
from syncd.roll.digests import Algorithm, Digest
from tests.journal.samples import NOW, add

ONE, OTHER = b"1" * 16, b"2" * 32


def test_durable_parcels_are_remembered_with_their_digests(journal: Journal) -> None:
    """A parcel recorded twice has the digests of the second time."""
    with journal.write() as db:
        roll_id = add(db)
        parcels.record_durable(db, roll_id, {0: b"0" * 16, 7: OTHER})
        parcels.record_durable(db, roll_id, {0: ONE})

        assert parcels.durable_numbers(db, roll_id) == {0, 7}
        assert parcels.piece_digests(db, roll_id, [0, 3, 7]) == {0: ONE, 7: OTHER}


def test_forgotten_parcels_travel_again(journal: Journal) -> None:
    """Only those named are forgotten, and only of this roll."""
    with journal.write() as db:
        roll_id, other_id = add(db), add(db, "B007")
        for each in (roll_id, other_id):
            parcels.record_durable(db, each, {0: ONE, 1: ONE})
        parcels.forget(db, roll_id, [1, 5])

        assert parcels.durable_numbers(db, roll_id) == {0}
        assert parcels.durable_numbers(db, other_id) == {0, 1}


def test_proofs_say_what_was_read_and_how_far_past_the_cache(journal: Journal) -> None:
    """By file index; forgotten when the file is repaired."""
    proof = Proof((Digest(Algorithm.XXH64, b"12345678"),), ReadLevel.DIRECT)
    with journal.write() as db:
        roll_id = add(db)
        parcels.record_proved(db, roll_id, {0: proof, 2: proof}, now_utc_ms=NOW)
        assert parcels.proofs(db, roll_id) == {0: proof, 2: proof}

        parcels.forget_proofs(db, roll_id, [2])
        assert parcels.proofs(db, roll_id) == {0: proof}


def test_change_times_are_those_of_the_last_good_reading(journal: Journal) -> None:
    """A proof brings one, a later reading another; a proof without one says that it has none."""
    with journal.write() as db:
        roll_id = add(db)
        bare = Proof((), ReadLevel.DIRECT)
        timed = Proof((), ReadLevel.DIRECT, 5)
        parcels.record_proved(db, roll_id, {0: bare, 1: timed}, now_utc_ms=NOW)
        assert parcels.proofs(db, roll_id) == {0: bare, 1: timed}

        parcels.record_change_times(db, roll_id, {1: 9, 2: 7})
        assert parcels.change_times(db, roll_id) == {1: 9, 2: 7}


def test_proofs_and_change_times_follow_their_file_into_another_cut(journal: Journal) -> None:
    """Other evidence gives files other indexes; what is known of a file that goes is forgotten."""
    with journal.write() as db:
        roll_id = add(db)
        first, second = Proof((), ReadLevel.DIRECT, 5), Proof((), ReadLevel.DIRECT, 6)
        parcels.record_proved(db, roll_id, {0: first, 1: second}, now_utc_ms=NOW)
        parcels.recut(db, roll_id, {}, {1: 0})
        assert parcels.proofs(db, roll_id) == {0: second}
        assert parcels.change_times(db, roll_id) == {0: 6}


def test_mismatches_are_counted_per_file(journal: Journal) -> None:
    """The second one decides between repair and hold."""
    with journal.write() as db:
        roll_id = add(db)
        assert parcels.mismatches(db, roll_id, 1) == 0
        assert parcels.count_mismatch(db, roll_id, 1) == 1
        assert parcels.count_mismatch(db, roll_id, 1) == 2
        assert parcels.mismatches(db, roll_id, 0) == 0
