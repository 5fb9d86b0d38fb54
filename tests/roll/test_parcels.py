"""The parcel rule: every byte of every file exactly once, in parcels of at most 16 MiB."""

import tracemalloc

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from syncd.limits import KIB, MIB, PARCEL_BYTES_MAX, PARCEL_PIECES_MAX
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.parcels import ParcelPlan, Piece, from_bitmap, parcel_count, to_bitmap

SIZES = st.one_of(
    st.just(0),
    st.integers(0, 64 * KIB),
    st.integers(0, 5 * PARCEL_BYTES_MAX),
    st.sampled_from([PARCEL_BYTES_MAX + step for step in (-1, 0, 1)]),
    st.sampled_from([3 * PARCEL_BYTES_MAX + step for step in (-1, 0, 1)]),
)
MANY_SIZES = st.one_of(
    st.lists(SIZES, max_size=20),
    st.builds(lambda count, size: [size] * count, st.integers(1000, 2100), st.integers(0, 20000)),
)


def roll_of(sizes: list[int]) -> Inventory:
    """Return a roll with files of these sizes, in this order."""
    files = (FileEntry(f"{index:06}", size, 0) for index, size in enumerate(sizes))
    return Inventory("2026-03-14_D12", "A012", tuple(files))


def pieces_of(plan: ParcelPlan) -> list[tuple[Piece, ...]]:
    """Return all parcels of a plan."""
    return [plan.pieces(number) for number in range(plan.count)]


@settings(deadline=None)
@given(MANY_SIZES)
def test_every_byte_of_every_file_travels_exactly_once(sizes: list[int]) -> None:
    """The pieces of a file follow each other without gap, from 0 to its size."""
    reached = [0] * len(sizes)
    seen = [0] * len(sizes)
    for parcel in pieces_of(ParcelPlan(roll_of(sizes))):
        for piece in parcel:
            assert piece.offset_bytes == reached[piece.file_index]
            reached[piece.file_index] += piece.length_bytes
            seen[piece.file_index] += 1

    assert reached == sizes
    assert all(seen), "a file without bytes is a piece, too"


@settings(deadline=None)
@given(MANY_SIZES)
def test_no_parcel_is_too_large_or_empty(sizes: list[int]) -> None:
    """At most 16 MiB and 1,024 pieces; its length is that of its pieces."""
    plan = ParcelPlan(roll_of(sizes))
    for number, parcel in enumerate(pieces_of(plan)):
        length = sum(piece.length_bytes for piece in parcel)
        assert length == plan.length_bytes(number) <= PARCEL_BYTES_MAX
        assert 1 <= len(parcel) <= PARCEL_PIECES_MAX


@settings(deadline=None)
@given(MANY_SIZES)
def test_a_large_file_is_cut_at_multiples_of_a_parcel_and_shares_with_no_other(
    sizes: list[int],
) -> None:
    """So an offset in a file tells its parcel, and a wrong bit costs one parcel of one file."""
    for parcel in pieces_of(ParcelPlan(roll_of(sizes))):
        for piece in parcel:
            if sizes[piece.file_index] > PARCEL_BYTES_MAX:
                assert len(parcel) == 1
                assert piece.offset_bytes % PARCEL_BYTES_MAX == 0
            else:
                assert (piece.offset_bytes, piece.length_bytes) == (0, sizes[piece.file_index])


@settings(deadline=None)
@given(MANY_SIZES)
def test_both_ends_compute_the_same_plan(sizes: list[int]) -> None:
    """From the sizes alone; and files are in order over the parcels."""
    roll = roll_of(sizes)
    assert pieces_of(ParcelPlan(roll)) == pieces_of(ParcelPlan(roll_of(sizes)))
    flat = [piece.file_index for parcel in pieces_of(ParcelPlan(roll)) for piece in parcel]
    assert flat == sorted(flat)


@settings(deadline=None)
@given(MANY_SIZES)
def test_the_parcels_of_a_file_are_those_that_carry_it(sizes: list[int]) -> None:
    """The other way round, as the read-back asks."""
    plan = ParcelPlan(roll_of(sizes))
    carried: dict[int, list[int]] = {}
    for number, parcel in enumerate(pieces_of(plan)):
        for piece in parcel:
            carried.setdefault(piece.file_index, []).append(number)

    assert {index: list(plan.parcels_of_file(index)) for index in range(len(sizes))} == carried


def test_small_files_share_and_large_ones_do_not() -> None:
    """The rule by example: 6 + 6 MiB share; the next 6 pass 16 MiB; 40 MiB make three."""
    plan = ParcelPlan(roll_of([6 * MIB, 6 * MIB, 6 * MIB, 40 * MIB, 0, 16 * MIB, 1]))

    assert pieces_of(plan) == [
        (Piece(0, 0, 6 * MIB), Piece(1, 0, 6 * MIB)),
        (Piece(2, 0, 6 * MIB),),
        (Piece(3, 0, 16 * MIB),),
        (Piece(3, 16 * MIB, 16 * MIB),),
        (Piece(3, 32 * MIB, 8 * MIB),),
        (Piece(4, 0, 0), Piece(5, 0, 16 * MIB)),
        (Piece(6, 0, 1),),
    ]


def test_an_empty_roll_has_no_parcel() -> None:
    """And one empty file has one."""
    assert ParcelPlan(roll_of([])).count == 0
    assert ParcelPlan(roll_of([0])).count == 1


@settings(deadline=None)
@given(st.integers(0, 200), st.data())
def test_parcel_numbers_read_back_from_bits(count: int, data: st.DataObject) -> None:
    """Bit n of byte n // 8, lowest bit first."""
    numbers = data.draw(st.sets(st.integers(0, max(0, count - 1)), max_size=count))
    bitmap = to_bitmap(numbers, count)

    assert from_bitmap(bitmap, count) == numbers
    assert len(bitmap) == (count + 7) // 8


def test_bits_of_the_wrong_length_are_refused() -> None:
    """A stranger sends them."""
    assert to_bitmap({0, 9}, 10) == b"\x01\x02"
    with pytest.raises(ValueError, match="10 parcels need 2 bytes"):
        from_bitmap(b"\x01", 10)


@settings(deadline=None)
@given(MANY_SIZES)
def test_parcels_are_counted_as_they_are_cut(sizes: list[int]) -> None:
    """By arithmetic alone, there are as many; and of each file those that carry it."""
    plan = ParcelPlan(roll_of(sizes))
    assert parcel_count(sizes) == plan.count
    carried: dict[int, list[int]] = {index: [] for index in range(len(sizes))}
    for number, parcel in enumerate(pieces_of(plan)):
        for piece in parcel:
            carried[piece.file_index].append(number)
    assert {index: list(plan.parcels_of_file(index)) for index in carried} == carried


def test_a_plan_takes_no_memory_by_the_size_of_a_file() -> None:
    """Promise 8, also for a size that somebody made up."""
    size = (1 << 62) + 1
    tracemalloc.start()
    try:
        plan = ParcelPlan(roll_of([5, size, 7]))
        _, most_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert most_bytes < 1 * MIB
    assert plan.count == (1 << 38) + 3 == parcel_count([5, size, 7])
    assert plan.pieces(1 << 38) == (
        Piece(1, size // PARCEL_BYTES_MAX * PARCEL_BYTES_MAX - PARCEL_BYTES_MAX, PARCEL_BYTES_MAX),
    )
    assert plan.length_bytes((1 << 38) + 1) == 1
    assert plan.pieces(plan.count - 1) == (Piece(2, 0, 7),)
    for number in (-1, plan.count):
        with pytest.raises(IndexError):
            plan.pieces(number)
