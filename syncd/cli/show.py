"""How things look to people: sizes, times, names, tables.

Owns: the words and the columns. Must not: ask the daemon.

On a terminal tables are drawn by rich; elsewhere they are plain aligned lines, without colour.
Every name is made printable first: file names come from cards, and may hold control characters.
"""

import os
import re
import shlex
import shutil
import sys
import textwrap
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any, Literal

import click
from rich import box
from rich.console import Console
from rich.measure import Measurement
from rich.table import Table
from rich.text import Text

from syncd.errors import SyncdError
from syncd.roll.names import printable
from syncd.roll.stages import SELF_CURING, STAGE_ORDER, Stage, is_before

NOT_A_PERMISSION = (
    "`ready` is not permission to clear a card: "
    "ask production, the insurer and the completion guarantor."
)
# Stages from which on a roll has no place in the order any more.
ARRIVED = frozenset(stage.value for stage in STAGE_ORDER if not is_before(stage, Stage.LANDED))
# What remedies say of a roll that is looked at, or offered, again without a person.
_BY_ITSELF = re.compile(r"\b(?:the roll|it) (?:goes on|is offered again) by itself", re.IGNORECASE)
_WIDTH_MAX = 10_000
_NAME_WIDTH_MAX = 60
_RIGHT = frozenset({"rank", "size", "moved", "files", "peers"})
_STYLES = {"held": "bold red", "ready": "green", "fetched": "green", "dailies": "green"}


def plain(text: str) -> str:
    """Return text with everything that a terminal might obey made visible."""
    return printable(text)


def size(count: int) -> str:
    """Return a number of bytes in decimal units: 12.3 GB."""
    if count < 1000:
        return f"{count} B"
    value = float(count)
    for unit in ("kB", "MB", "GB", "TB"):
        value /= 1000
        if value < 999.95:
            return f"{value:.1f} {unit}"
    return f"{value / 1000:.1f} PB"


def moment(rfc3339: str | None, *, now: datetime | None = None) -> str:
    """Return a time as people here read it: only the clock's today, with the date otherwise."""
    if rfc3339 is None:
        return ""
    local = datetime.fromisoformat(rfc3339).astimezone()
    today = (now or datetime.now(UTC)).astimezone().date()
    return f"{local:%H:%M:%S}" if local.date() == today else f"{local:%Y-%m-%d %H:%M}"


def share(moved: int, total: int) -> str:
    """Return how much has moved; never 100 % before it is."""
    return f"{100 * moved // total} %" if total else ""


def roll_name(roll: dict[str, Any]) -> str:
    """Return a roll's DAY/ROLL, fit to be shown."""
    return plain(f"{roll['day']}/{roll['name']}")


def short(name: str) -> str:
    """Return a name that is fit to be shown as a column has it: a very long one without its middle.

    One such name would otherwise push the columns of all rolls off the screen.
    """
    if len(name) <= _NAME_WIDTH_MAX:
        return name
    tail = _NAME_WIDTH_MAX // 3
    return f"{name[: _NAME_WIDTH_MAX - tail - 1]}…{name[-tail:]}"


def needs_go(roll: dict[str, Any]) -> bool:
    """Tell whether a held roll waits for a person to say `go`, and does not say so itself.

    Some go on by themselves, and say so; others name the very command, and the box for it.
    """
    held = roll["held"]
    if not held or held["code"] in {code.value for code in SELF_CURING}:
        return False
    if _BY_ITSELF.search(held["message"]):
        return False
    return f"`syncd go {roll['day']}/{roll['name']}`" not in held["message"]


def go_hint(roll: dict[str, Any], rolls: Sequence[dict[str, Any]]) -> str:
    """Say how a held roll is tried again: by its DAY/ROLL, unless several of rolls have that.

    And on which box, if it is not this one, but the one that has published it.
    """
    same = [each for each in rolls if (each["day"], each["name"]) == (roll["day"], roll["name"])]
    name = roll_name(roll) if len(same) < 2 else roll["id"]
    box = roll["held"].get("box")
    where = f", on {plain(box)}" if box else ""
    return f"When the cause is gone{where}: syncd go {shlex.quote(name)}"


def problem_lines(error: SyncdError) -> list[str]:
    """Return what happened and what to do, for stderr."""
    said = error.problem.rstrip("\n").splitlines() or [""]
    return [f"syncd: {plain(said[0])}", *(plain(line) for line in said[1:]), plain(error.remedy)]


def on_terminal() -> bool:
    """Tell whether results go to a person's screen that can be drawn on."""
    return sys.stdout.isatty() and os.environ.get("TERM") != "dumb"


def wrapped(text: str) -> str:
    """Return a line as it fits a terminal, what follows the first indented; as it is elsewhere."""
    if not on_terminal():
        return text
    return textwrap.fill(
        text,
        shutil.get_terminal_size().columns,
        subsequent_indent="    ",
        break_long_words=False,
        break_on_hyphens=False,
    )


def console(*, to_stderr: bool = False, width: int | None = None) -> Console:
    """Return rich's console; it heeds NO_COLOR by itself."""
    return Console(stderr=to_stderr, width=width, highlight=False, markup=False, emoji=False)


def table(
    columns: Sequence[str], rows: Sequence[Sequence[str]], *, droppable: Sequence[str] = ()
) -> None:
    """Print rows below their columns.

    droppable: columns that a narrow terminal goes without, the first one first. With any of them
    no cell is ever broken, so that names can be picked up whole.
    """
    cells = [[plain(cell) for cell in row] for row in rows]
    if on_terminal():
        _draw(columns, cells, droppable)
        return
    lines = [[name.upper() for name in columns], *cells]
    widths = [max(len(line[i]) for line in lines) for i in range(len(columns))]
    for line in lines:
        padded = [
            cell.rjust(width) if name in _RIGHT else cell.ljust(width)
            for name, cell, width in zip(columns, line, widths, strict=True)
        ]
        click.echo("  ".join(padded).rstrip())


def _draw(columns: Sequence[str], rows: Sequence[Sequence[str]], droppable: Sequence[str]) -> None:
    screen = console()
    drawn, left = _drawn(columns, rows, whole=bool(droppable)), list(columns)
    for name in droppable:
        if _width(screen, drawn) <= screen.width:
            break
        left.remove(name)
        kept = [[row[columns.index(each)] for each in left] for row in rows]
        drawn = _drawn(left, kept, whole=True)
    if droppable and _width(screen, drawn) > screen.width:
        screen = console(width=_width(screen, drawn))
    screen.print(drawn)


def _drawn(columns: Sequence[str], rows: Sequence[Sequence[str]], *, whole: bool) -> Table:
    drawn = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1, 0, 0), show_edge=False)
    for name in columns:
        justify: Literal["left", "right"] = "right" if name in _RIGHT else "left"
        drawn.add_column(name.upper(), justify=justify, overflow="fold", no_wrap=whole)
    for row in rows:
        drawn.add_row(*(Text(cell, style=_STYLES.get(cell, "")) for cell in row))
    return drawn


def _width(screen: Console, drawn: Table) -> int:
    """Return how wide the table is if nothing in it is wrapped."""
    return Measurement.get(screen, screen.options.update(width=_WIDTH_MAX), drawn).maximum
