"""What `syncd check` says of held rolls."""

from dataclasses import replace

from syncd.board.held import held_problem
from syncd.journal import rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import HeldNote, RollRow
from syncd.limits import HELD_NAMED_MAX
from syncd.roll.stages import HeldCode
from tests.journal.samples import DAY, add

MESSAGE = "Clips/A.mov is not what the evidence says. Offload it again."


def held_rows(journal: Journal, count: int) -> list[RollRow]:
    """Return so many held rolls, and one that is none."""
    with journal.write() as db:
        add(db, "S001")
        row = rolls.all_rolls(db)[0]
    held = HeldNote(HeldCode.EVIDENCE_MISMATCH, MESSAGE, "Clips/A.mov")
    return [row, *(replace(row, name=f"A{number:03}", held=held) for number in range(count))]


def test_nothing_is_said_if_no_roll_is_held(journal: Journal) -> None:
    """Then the check is fine."""
    assert held_problem(held_rows(journal, 0)) == ("", "")


def test_each_held_roll_has_a_line_with_reason_and_remedy(journal: Journal) -> None:
    """And what is to be typed once the cause is gone."""
    problem, remedy = held_problem(held_rows(journal, 2))
    lines = [f"{DAY}/A00{number} held, evidence-mismatch: {MESSAGE}" for number in (0, 1)]
    assert problem.splitlines() == ["2 rolls held.", *lines]
    assert "syncd go ROLL" in remedy


def test_a_line_stays_one_whatever_a_roll_or_a_file_is_called(journal: Journal) -> None:
    """A name with a newline is spelled, and a very long path loses its middle."""
    path = "/".join(["Clips of a card"] * 240) + "/C001\n.mov"
    held = HeldNote(HeldCode.NAME_UNSAFE, f"{path} cannot be kept.", path)
    row = replace(held_rows(journal, 1)[-1], name="NL\nroll", held=held)
    problem, _ = held_problem([row])
    assert len(problem.splitlines()) == 1
    assert problem.startswith(f"{DAY}/NL\\x0aroll held, name-unsafe: Clips of a card/Clips")
    assert problem.endswith("C001\\x0a.mov cannot be kept.")
    assert len(problem) < 300


def test_many_held_rolls_are_counted_and_not_all_named(journal: Journal) -> None:
    """Where to see all of them is said."""
    problem, remedy = held_problem(held_rows(journal, 40))
    first, *named, last = problem.splitlines()
    assert (first, len(named), last) == ("40 rolls held.", HELD_NAMED_MAX, "And 35 more.")
    assert "syncd rolls" in remedy
