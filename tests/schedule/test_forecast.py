"""Forecasts against brute force, and the rate against RFC 6298 worked by hand."""

from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncd.schedule.forecast import Expected, Rate, Waiting, forecast

NOW = 1_773_507_600_000
RATE = 1000.0  # bytes per second: one byte a millisecond, so that sums are exact

rolls = st.lists(
    st.tuples(st.integers(0, 50), st.integers(0, 200)).map(lambda pair: (pair[0], NOW + pair[1])),
    max_size=6,
)


def waiting(pairs: list[tuple[int, int]] | tuple[tuple[int, int], ...]) -> list[Waiting]:
    """Make rolls of (bytes, needed by)."""
    return [Waiting(str(i), size, needed_by) for i, (size, needed_by) in enumerate(pairs)]


def lateness_ms(pairs: tuple[tuple[int, int], ...]) -> int:
    """Return the greatest lateness if the rolls go in this order, by plain addition."""
    at, worst = NOW, -(1 << 60)
    for size, needed_by in pairs:
        at += size
        worst = max(worst, at - needed_by)
    return worst


@given(rolls)
def test_all_are_in_time_exactly_when_the_sums_say_so(pairs: list[tuple[int, int]]) -> None:
    """Jackson 1955, Dertouzos 1974: the bytes due by each d are at most rate x (d - now)."""
    in_order = sorted(pairs, key=lambda pair: pair[1])
    fits = all(
        sum(size for size, needed_by in pairs if needed_by <= due) <= due - NOW for _, due in pairs
    )

    expected = forecast(waiting(in_order), RATE, NOW)

    assert any(one.late for one in expected.values()) != fits


@given(rolls)
def test_no_other_order_has_a_smaller_greatest_lateness(pairs: list[tuple[int, int]]) -> None:
    """Earliest needed-by first is optimal among all orders, each of them tried."""
    in_order = sorted(pairs, key=lambda pair: pair[1])
    expected = forecast(waiting(in_order), RATE, NOW)
    ours = max(
        (
            expected[one.roll_id].at_utc_ms - one.needed_by_utc_ms  # type: ignore[operator]
            for one in waiting(in_order)
        ),
        default=-(1 << 60),
    )

    assert ours == min(lateness_ms(order) for order in permutations(pairs))


def test_a_roll_lands_after_all_before_it() -> None:
    """The bytes before it count; one without a needed-by is never late."""
    rows = [Waiting("A", 3000, NOW + 2999), Waiting("B", 1000, NOW + 4000), Waiting("C", 1, None)]
    assert forecast(rows, RATE, NOW) == {
        "A": Expected(NOW + 3000, late=True),
        "B": Expected(NOW + 4000, late=False),
        "C": Expected(NOW + 4001, late=False),
    }


def test_without_a_rate_only_the_past_is_certain() -> None:
    """No time is made up; what should be there already is late."""
    rows = [Waiting("A", 3000, NOW - 1), Waiting("B", 1000, NOW + 1), Waiting("C", 1, None)]
    for rate in (None, 0.0):
        assert forecast(rows, rate, NOW) == {
            "A": Expected(None, late=True),
            "B": Expected(None, late=False),
            "C": Expected(None, late=False),
        }


def test_the_rate_is_smoothed_as_rfc_6298_says() -> None:
    """Section 2: R, R/2; then 3/4 RTTVAR + 1/4 |SRTT - R'| first, 7/8 SRTT + 1/8 R' after."""
    rate = Rate()
    rate.add(0, 0.0)
    rate.add(800, 1.0)
    assert (rate.bytes_per_s, rate.deviation_bytes_per_s) == (800.0, 400.0)
    rate.add(800 + 1600, 2.0)
    assert rate.deviation_bytes_per_s == pytest.approx(0.75 * 400 + 0.25 * 800)
    assert rate.bytes_per_s == pytest.approx(7 / 8 * 800 + 1 / 8 * 1600)


def test_short_samples_are_gathered_and_pauses_left_out() -> None:
    """Samples are of at least a second; a pause or a new count says nothing about the link."""
    rate = Rate()
    assert rate.bytes_per_s is None
    for tenth in range(11):
        rate.add(tenth * 50, tenth / 10)
    assert rate.bytes_per_s == pytest.approx(500)
    rate.add(500, 30.0)  # nothing moved
    rate.add(501, 900.0)  # hardly anything in a long while
    rate.add(0, 901.0)  # counted anew
    assert rate.bytes_per_s == pytest.approx(500)


@pytest.mark.parametrize("bytes_per_s", [1.0, 5e-324])
def test_what_takes_longer_than_the_calendar_is_expected_on_its_last_day(
    bytes_per_s: float,
) -> None:
    """A rate of a first small file, and terabytes behind it: no error, and late."""
    expected = forecast([Waiting("A012", 8 * 10**15, NOW)], bytes_per_s, NOW)

    assert expected == {"A012": Expected(253_402_041_600_000, True)}
