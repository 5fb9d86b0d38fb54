"""What the README says is so: its two commands, every command and option, every key of a config."""

import re
import shlex
import tomllib
from pathlib import Path

import click
import pytest

from syncd.cli.main import COMMANDS, syncd
from syncd.config import parse
from syncd.errors import ConfigError
from syncd.roll.stages import HeldCode, Stage

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = [
    (kind, re.sub(rf"(?m)^{indent}", "", body))
    for indent, kind, body in re.findall(r"(?ms)^( *)```(\w+)\n(.*?)^ *```$", README)
]
SHELL = [body for kind, body in BLOCKS if kind == "sh"]
TOML = [body for kind, body in BLOCKS if kind == "toml"]
INLINE = re.findall(r"`(syncd [^`]+)`", README)


def _typed() -> list[str]:
    """Return every syncd command that the README shows, in blocks and in the text."""
    pieces = [piece for body in SHELL for piece in re.split(r"&&|;|\n", body)]
    in_blocks = [re.search(r"\bsyncd (?:[a-z]+\b.*)", piece) for piece in pieces if "sy" in piece]
    found = [match[0] for match in in_blocks if match and "/syncd/" not in match[0]]
    return sorted({*found, *INLINE})


def test_the_first_block_runs_the_demo_and_the_second_every_test() -> None:
    """Both are one line, and do all that a fresh clone needs."""
    demo, tests = SHELL[:2]

    assert demo.count("\n") == tests.count("\n") == 1
    assert demo == (
        "python3 -m venv .venv && .venv/bin/pip install --quiet . && .venv/bin/syncd demo\n"
    )
    assert tests == (
        "python3 -m venv .venv && .venv/bin/pip install --quiet -e '.[test]'"
        " && .venv/bin/python -m pytest\n"
    )


def test_it_opens_with_the_job_in_one_paragraph() -> None:
    """After the title comes prose, not a list or a badge."""
    title, paragraph, *_ = README.split("\n\n")

    assert title == "# syncd"
    assert paragraph.startswith("syncd hands verified camera rolls over.")


@pytest.mark.parametrize("typed", _typed())
def test_every_command_in_it_exists(typed: str) -> None:
    """The command is there, and every option behind it."""
    _, name, *words = shlex.split(typed.replace("[", "").replace("]", ""))

    assert name in COMMANDS, typed
    command = syncd.get_command(click.Context(syncd), name)
    assert command is not None
    known = {option for parameter in command.params for option in parameter.opts}
    for word in words:
        assert not word.startswith("-") or word in known, typed


def test_every_command_is_in_it() -> None:
    """Nobody has to find a command by chance."""
    shown = {typed.split()[1] for typed in _typed()}

    assert set(COMMANDS) <= shown


@pytest.mark.parametrize("body", TOML)
def test_every_key_in_it_is_accepted(body: str) -> None:
    """A piece of a config may lack something, but has nothing that syncd does not know."""
    assert tomllib.loads(body)

    with pytest.raises(ConfigError) as caught:
        parse(body.encode(), "README.md")

    assert str(caught.value).startswith("README.md: node is missing."), "and nothing else is wrong"


def test_every_stage_and_reason_is_explained() -> None:
    """Whoever is shown a word can look it up."""
    for word in (*Stage, *HeldCode):
        assert f"`{word.value}`" in README, word


def test_every_exit_code_is_explained() -> None:
    """The table has the codes of the contract."""
    codes = [int(code) for code in re.findall(r"(?m)^\| (\d+) \|", README)]
    assert codes == [0, 1, 2, 69, 71, 75, 78]


def test_every_path_of_the_board_is_named() -> None:
    """What a script may ask is written down."""
    server = (ROOT / "syncd" / "board" / "server.py").read_text(encoding="utf-8")
    routes = re.findall(r'web\.(?:get|post)\("([^"]+)"', server)

    assert "/api/rolls" in routes
    for route in routes:
        assert f"{route.replace('{id:.+}', '{id}')}`" in README, route


def test_every_file_it_names_is_there() -> None:
    """Examples, units and code that it points at exist."""
    named = re.findall(r"`((?:configs|syncd)/[\w./-]+)`|\]\((\w+\.md)\)", README)
    assert named
    for path, link in named:
        assert (ROOT / (path or link)).is_file(), path or link


def test_every_module_that_the_contributors_guide_names_is_there() -> None:
    """The way of a roll leads through modules that exist."""
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = re.findall(r"`((?:syncd/|tests/)?[a-z_]+(?:/[a-z_]+)*\.py)`", guide)

    assert len(named) > 20
    for path in named:
        assert (ROOT / path).is_file() or (ROOT / "syncd" / path).is_file(), path


def test_each_line_of_the_threat_model_names_what_it_rests_on_and_a_test_that_attacks_it() -> None:
    """One page; modules and tests that it names exist, and the tests have tests in them."""
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    page = guide.partition("\n## Threat model\n")[2].partition("\n## ")[0]
    attackers = [line.partition("**Known")[0] for line in page.split("\n- ")[1:]]

    assert len(page.splitlines()) <= 80, "at most a page"
    assert len(attackers) > 10
    for attacker in attackers:
        named = re.findall(r"`([\w/]+\.py)`", attacker)
        tests = [path for path in named if path.startswith("tests/")]
        assert tests, attacker
        assert all((ROOT / "syncd" / path).is_file() for path in named if path not in tests), named
        for path in tests:
            assert "def test_" in (ROOT / path).read_text(encoding="utf-8"), path


def test_it_does_not_let_a_card_be_cleared() -> None:
    """The caution names who decides, and stands before the set-up."""
    caution = README.index("production, the insurer and the\ncompletion guarantor")

    assert caution < README.index("## Two real boxes")
