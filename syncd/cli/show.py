"""How things look to people: sizes, times, names, tables.

Owns: the words and the columns. Must not: ask the daemon.

On a terminal tables are drawn by rich; elsewhere they are plain aligned lines, without colour.
Every name is made printable first: file names come from cards, and may hold control characters.
"""

import os
import sys
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

import click
from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from syncd.errors import SyncdError

NOT_A_PERMISSION = (
    "`ready` is not permission to clear a card: "
    "ask production, the insurer and the completion guarantor."
)
_RIGHT = frozenset({"rank", "size", "moved", "files", "peers"})
_STYLES = {"held": "bold red", "ready": "green", "fetched": "green", "dailies": "green"}


def plain(text: str) -> str:
    """Return text with everything that a terminal might obey made visible."""
    return "".join(
        c if c.isprintable() else c.encode("unicode_escape").decode() for c in _utf8(text)
    )


def _utf8(text: str) -> str:
    return text.encode("utf-8", "backslashreplace").decode()


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


def problem_lines(error: SyncdError) -> list[str]:
    """Return what happened and what to do, for stderr."""
    said = error.problem.rstrip("\n").splitlines() or [""]
    return [f"syncd: {plain(said[0])}", *(plain(line) for line in said[1:]), plain(error.remedy)]


def on_terminal() -> bool:
    """Tell whether results go to a person's screen that can be drawn on."""
    return sys.stdout.isatty() and os.environ.get("TERM") != "dumb"


def console(*, to_stderr: bool = False) -> Console:
    """Return rich's console; it heeds NO_COLOR by itself."""
    return Console(stderr=to_stderr, highlight=False, markup=False, emoji=False)


def table(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Print rows below their columns."""
    cells = [[plain(cell) for cell in row] for row in rows]
    if on_terminal():
        _draw(columns, cells)
        return
    lines = [[name.upper() for name in columns], *cells]
    widths = [max(len(line[i]) for line in lines) for i in range(len(columns))]
    for line in lines:
        padded = [
            cell.rjust(width) if name in _RIGHT else cell.ljust(width)
            for name, cell, width in zip(columns, line, widths, strict=True)
        ]
        click.echo("  ".join(padded).rstrip())


def _draw(columns: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    drawn = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for name in columns:
        drawn.add_column(name, justify="right" if name in _RIGHT else "left", overflow="fold")
    for row in rows:
        drawn.add_row(*(Text(cell, style=_STYLES.get(cell, "")) for cell in row))
    console().print(drawn)
