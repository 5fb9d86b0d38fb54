"""Rolls that are gone from where they were published, as commands tell of them."""

from pathlib import Path

import pytest

from syncd.journal import astray, rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin
from syncd.roll.stages import Stage
from tests.board.world import DAY, NOON, add_roll
from tests.cli.conftest import Box

SAID = "{name} is gone from where process-1 published it, /mnt/array/rolls/{name}."


def _stray(journal: Journal, name: str, origin: Origin, source: str | None = None) -> str:
    """Journal a ready roll that is gone."""
    roll_id = add_roll(journal, name, stage=Stage.READY, origin=origin, source_path=source)
    with journal.write() as db:
        row = rolls.get(db, roll_id)
        assert row is not None
        astray.stray(db, row, SAID.format(name=f"{DAY}/{name}"), now_utc_ms=NOON)
    return roll_id


@pytest.mark.parametrize("origin", [Origin.LANDING, Origin.PEER])
def test_a_roll_that_is_gone_is_wrong_and_never_plainly_ready(
    box: Box, journal: Journal, origin: Origin
) -> None:
    """Exit code 1, in the list and by itself, on either box; with what to do."""
    _stray(journal, "A012", origin)
    for command in (("rolls",), ("roll", "A012")):
        result = box.syncd(*command)
        assert result.code == 1
        assert "ready, gone" in result.out
        assert SAID.format(name=f"{DAY}/A012") in result.out
    (line,) = box.syncd("rolls", "--json").json["rolls"]
    assert line["waits"]["code"] == "gone"
    assert line["stage"] == "ready"


def test_many_that_are_gone_do_not_flood_the_list(box: Box, journal: Journal) -> None:
    """Five are told of in full; how many more there are, and how to see each."""
    for number in range(9):
        _stray(journal, f"A{number:03}", Origin.PEER)
    result = box.syncd("rolls")
    assert result.out.count("is gone from where") == 5
    assert "And 4 more are gone; what to do about each: syncd roll ROLL" in result.out


def test_go_on_the_storages_box_says_that_a_roll_was_put_away(box: Box, journal: Journal) -> None:
    """Then nothing is wrong any more; what it was is in its own page."""
    _stray(journal, "A012", Origin.PEER)
    gone = box.syncd("go", "A012")
    assert gone.code == 0
    assert f"{DAY}/A012 was put away; `syncd check` tells of it no more." in gone.out
    listed = box.syncd("rolls")
    assert listed.code == 0
    assert "ready, put away" in listed.out
    assert "is gone from where" not in listed.out
    one = box.syncd("roll", "A012")
    assert one.code == 0
    assert "It was put away, as a person says." in one.out


def test_go_on_the_offload_box_needs_its_folder(box: Box, journal: Journal, tmp_path: Path) -> None:
    """Without one the answer is no, with what to do; with one it goes on."""
    source = tmp_path / "landing" / DAY / "A012"
    _stray(journal, "A012", Origin.LANDING, str(source))
    refused = box.syncd("go", "A012")
    assert refused.code == 1
    assert f"{source} is not on the landing" in refused.err
    assert "Offload it there again" in refused.err
    source.mkdir(parents=True)
    gone = box.syncd("go", "A012")
    assert gone.code == 0
    assert f"{DAY}/A012 goes on." in gone.out
    (line,) = box.syncd("rolls", "--json").json["rolls"]
    assert (line["stage"], line["waits"], line["moved_bytes"]) == ("verified", None, 0)
