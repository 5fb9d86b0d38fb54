"""Places in the order, and the rules that give them."""

from datetime import UTC, datetime

import pytest

from syncd.schedule.order import OrderRule, Place, next_time_of_day, place_for, rush_rank

DAY = "2026-03-14_D12"
BERLIN_S = 3600


def utc_ms(text: str) -> int:
    """Read "2026-03-14 17:00" as UTC."""
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


NOW = utc_ms("2026-03-14 17:00")


def test_rank_then_needed_by_then_arrival() -> None:
    """The order of design.md; no needed-by comes after any."""
    places = [
        Place(0, None, 9),
        Place(1, 5, 9),
        Place(1, 6, 1),
        Place(1, 6, 2),
        Place(1, None, 0),
        Place(1, None, 1),
        Place(2, 1, 0),
    ]
    assert sorted(places[3:] + places[:3]) == places
    assert Place(1, 0, 0) < Place(1, None, 0)
    assert not Place(1, None, 0) < Place(1, None, 0)


def test_the_first_rule_that_matches_gives_the_place() -> None:
    """Rules are read from the top, on name and on day; upper and lower case differ."""
    rules = [
        OrderRule(match="A*", day="*_D12", rank=10),
        OrderRule(match="A*", rank=20),
        OrderRule(match="S???", rank=30),
    ]

    def rank_of(day: str, name: str) -> int:
        return place_for(rules, day, name, arrived_utc_ms=NOW, utc_offset_s=0).rank

    assert rank_of(DAY, "A012") == 10
    assert rank_of("2026-03-15_D13", "A012") == 20
    assert rank_of(DAY, "S003") == 30
    assert rank_of(DAY, "a012") == rank_of(DAY, "B007") == 100


@pytest.mark.parametrize(
    ("text", "offset_s", "expected"),
    [
        ("19:00", 0, "2026-03-14 19:00"),
        ("17:00", 0, "2026-03-15 17:00"),  # just now is over
        ("00:00", 0, "2026-03-15 00:00"),
        ("19:00", BERLIN_S, "2026-03-14 18:00"),
        ("17:30", BERLIN_S, "2026-03-15 16:30"),
        ("02:00", 10 * 3600, "2026-03-15 16:00"),  # already the 15th, 03:00, over there
        ("04:00", 10 * 3600, "2026-03-14 18:00"),
        ("11:00", -7 * 3600, "2026-03-14 18:00"),
    ],
)
def test_a_time_of_day_is_the_next_such_time(text: str, offset_s: int, expected: str) -> None:
    """Local clocks show it within the next 24 hours."""
    assert next_time_of_day(text, NOW, offset_s) == utc_ms(expected)
    place = place_for(
        [OrderRule(needed_by=text)], DAY, "A012", arrived_utc_ms=NOW, utc_offset_s=offset_s
    )
    assert place == Place(100, utc_ms(expected), NOW)


@pytest.mark.parametrize("text", ["24:00", "7:00", "19:60", "19:00:00", "", "noon"])
def test_what_is_no_time_of_day_is_refused(text: str) -> None:
    """A malformed rule cannot exist."""
    with pytest.raises(ValueError, match="time of day"):
        OrderRule(needed_by=text)


def test_a_rush_goes_before_all_others() -> None:
    """One less than the smallest, and never behind a default rank."""
    assert rush_rank([]) == 0
    assert rush_rank([100, 10]) == 0
    assert rush_rank([100, 0]) == -1
    assert rush_rank([-4, 7]) == -5
