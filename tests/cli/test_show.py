"""How sizes, times and names look."""

import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import click
import pytest
from hypothesis import given
from hypothesis import strategies as st

from syncd.cli import show
from syncd.cli.order import read_needed_by
from syncd.errors import PeerRefusedError
from syncd.evidence.ascmhl_history import COPY_AGAIN
from syncd.evidence.verdict import OFFLOAD_AGAIN
from syncd.handoff.handover import held_for
from syncd.journal.rows import plain as kept
from syncd.landing.examine import unreadable
from syncd.moments import rfc3339
from syncd.roll.names import RENAME, shown
from syncd.wire.pulse import PAIR_REMEDY


@pytest.mark.parametrize(
    ("count", "text"),
    [
        (0, "0 B"),
        (999, "999 B"),
        (1000, "1.0 kB"),
        (12_345_678_901, "12.3 GB"),
        (999_949_999, "999.9 MB"),
        (999_999_999, "1.0 GB"),
        (3 * 10**15, "3.0 PB"),
        (5 * 10**18, "5000.0 PB"),
    ],
)
def test_sizes_are_decimal(count: int, text: str) -> None:
    """As on the label of a disk; never "1000.0 MB"."""
    assert show.size(count) == text


def test_a_share_is_100_only_when_all_has_moved() -> None:
    """Rounding never finishes a roll."""
    assert show.share(999, 1000) == "99 %"
    assert show.share(1000, 1000) == "100 %"
    assert show.share(0, 0) == ""


@given(st.text())
def test_no_text_can_write_to_the_terminal(text: str) -> None:
    """Whatever a card's file is called, what is shown is printable (CWE-150)."""
    assert show.plain(text).isprintable()


def test_a_name_that_is_not_utf8_can_be_shown() -> None:
    """Its bytes are visible."""
    assert show.plain("a\udcffb") == "a\\xffb"


@pytest.mark.parametrize(
    ("odd", "spelled"),
    [
        ("\n", "\\x0a"),
        ("\t", "\\x09"),
        ("\x1b", "\\x1b"),
        ("\x85", "\\x85"),
        ("\u2028", "\\u2028"),
        ("\u202e", "\\u202e"),
        ("\ufffe", "\\ufffe"),
        ("\udcff", "\\xff"),
        ("\u200b", "\\u200b"),
        ("\U000e0001", "\\U000e0001"),
    ],
)
def test_an_odd_character_is_spelled_one_way_wherever_it_comes_from(odd: str, spelled: str) -> None:
    """In the column of names, in the sentence that holds the roll, and as the journal keeps it."""
    name = f"A{odd}012"
    assert show.plain(name) == f"A{spelled}012"
    assert show.plain(shown(name)) == f"A{spelled}012"
    assert show.plain(kept(name)) == f"A{spelled}012"


def test_times_today_show_the_clock_and_others_the_date() -> None:
    """Local time, both."""
    now = datetime.now(UTC)
    local = now.astimezone()
    assert show.moment(now.isoformat(), now=now) == f"{local:%H:%M:%S}"
    other = now - timedelta(days=3)
    assert show.moment(other.isoformat(), now=now).startswith(f"{other.astimezone():%Y-%m-%d}")


@pytest.mark.parametrize("columns", [40, 60, 80, 100, 200])
def test_a_name_is_never_broken_however_narrow_the_terminal(
    columns: int, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """What can be spared goes first; headings are those of a listing in a pipe."""
    monkeypatch.setattr(show, "on_terminal", lambda: True)
    monkeypatch.setenv("COLUMNS", str(columns))
    row = ("2026-03-14_D12/A003R2EC", "reading-back", "123.4 GB", "2026-03-14 19:00")
    show.table(("roll", "stage", "size", "needed by"), [row], droppable=("size", "needed by"))
    lines = capsys.readouterr().out.splitlines()
    assert "2026-03-14_D12/A003R2EC  reading-back" in lines[-1]
    assert lines[0].startswith("ROLL")
    assert ("SIZE" in lines[0]) is (columns > 64)


def test_a_held_roll_is_named_so_that_it_is_found() -> None:
    """By DAY/ROLL, ready for a shell; by its id where two have that name."""
    one = {"day": "2026-03-14_D12", "name": "A 12", "id": "11" * 16, "held": {"box": None}}
    assert show.go_hint(one, [one]).endswith("syncd go '2026-03-14_D12/A 12'")
    assert show.go_hint(one, [one, {**one, "id": "22" * 16}]).endswith("syncd go " + "11" * 16)


@pytest.mark.parametrize(
    "remedy",
    [
        RENAME,
        OFFLOAD_AGAIN,
        COPY_AGAIN,
        unreadable("It is away", "See that it can be read").remedy,
        held_for(PeerRefusedError("process-1 refuses.", remedy=PAIR_REMEDY)).remedy,
    ],
)
def test_no_go_is_asked_for_where_the_message_says_that_it_goes_on_by_itself(remedy: str) -> None:
    """One instruction for each roll that is held, and it is true."""
    assert not show.needs_go(_held(f"What happened. {remedy}"))
    assert show.needs_go(_held("What happened. Repair the disk, then `syncd go` the roll."))
    assert not show.needs_go(_held("What happened. Run `syncd go 2026-03-14_D12/A012` there."))


def _held(message: str) -> dict[str, Any]:
    held = {"code": "name-unsafe", "message": message, "path": None}
    return {"day": "2026-03-14_D12", "name": "A012", "id": "11" * 16, "held": held}


def test_one_very_long_name_does_not_widen_the_table_of_all_rolls() -> None:
    """Its beginning and its end are shown; names as cameras give them are whole."""
    assert show.short("2026-03-14_D12/A012R1AB_260314") == "2026-03-14_D12/A012R1AB_260314"
    assert show.short("n" * 60) == "n" * 60
    long = "2026-03-14_D12/" + "x" * 200 + "_take_2"
    assert len(show.short(long)) == 60
    assert show.short(long).startswith("2026-03-14_D12/xxx")
    assert show.short(long).endswith("xxx_take_2")
    assert "…" in show.short(long)


def test_a_time_of_day_is_the_next_one() -> None:
    """At 20:00, "19:00" is tomorrow's."""
    local = timezone(datetime.now(UTC).astimezone().utcoffset() or timedelta())
    now = datetime(2026, 3, 14, 20, 0, tzinfo=local)
    found = read_needed_by("19:00", now=now)
    assert found is not None
    assert datetime.fromisoformat(found) - now == timedelta(hours=23)
    assert read_needed_by("none", now=now) is None
    assert read_needed_by("2026-03-14T19:00:00+02:00", now=now) == "2026-03-14T17:00:00.000Z"


@pytest.fixture
def in_zone(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], None]]:
    """Give what sets this process's zone, as TZ does for a command."""

    def begin(zone: str) -> None:
        monkeypatch.setenv("TZ", zone)
        time.tzset()

    yield begin
    monkeypatch.undo()
    time.tzset()


# POSIX TZ: what is written behind the name is how far the zone is behind UTC.
@pytest.mark.parametrize("zone", ["UTC0", "<+14>-14", "<-12>12"])
def test_the_first_and_the_last_time_that_a_listing_has_are_shown_in_every_zone(
    zone: str, in_zone: Callable[[str], None]
) -> None:
    """Zones reach from 12 hours behind UTC to 14 ahead of it (IANA time zone database)."""
    in_zone(zone)
    assert show.moment(rfc3339(1 << 53))[:8] == "9999-12-"
    assert show.moment(rfc3339(-(1 << 53))).lstrip("0")[:5] == "1-01-"  # %Y pads on some systems


@pytest.mark.parametrize(
    ("zone", "text"), [("<-12>12", "9999-12-31 23:59"), ("<+14>-14", "0001-01-01 00:00")]
)
def test_a_time_that_is_none_in_utc_is_a_usage_error(
    zone: str, text: str, in_zone: Callable[[str], None]
) -> None:
    """It is one here, and could not be sent."""
    in_zone(zone)
    with pytest.raises(click.BadParameter, match="19:00"):
        read_needed_by(text, now=datetime.now(UTC))


@pytest.mark.parametrize("text", ["", "noon", "25:00", "19:60", "1900"])
def test_what_is_no_time_is_a_usage_error(text: str) -> None:
    """It says what to write."""
    with pytest.raises(click.BadParameter, match="19:00"):
        read_needed_by(text, now=datetime.now(UTC))
