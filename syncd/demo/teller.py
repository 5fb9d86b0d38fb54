"""How the demo talks: steps, lines with the time since its start, and the table at the end.

Owns: the looks, rich on a terminal and plain lines elsewhere. Must not: know what happened.
"""

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

_WIDTH_PLAIN = 110


@dataclass(frozen=True, slots=True)
class Outcome:
    """One line of the closing table. is_good: None if the step was never reached."""

    step: str
    what: str
    seen: str
    is_good: bool | None

    @property
    def result(self) -> str:
        """The outcome in one word."""
        return {True: "yes", False: "NO", None: "not reached"}[self.is_good]


class Teller:
    """Prints to stdout."""

    def __init__(self, console: Console | None = None) -> None:
        self._console = console or _console()
        self._started_s = time.monotonic()

    @property
    def elapsed_s(self) -> float:
        """Seconds since the demo began."""
        return time.monotonic() - self._started_s

    def step(self, number: int, title: str) -> None:
        """Begin a step."""
        self._console.print()
        self._console.print(Text(f"{number}. {title}", style="bold"))

    def say(self, text: str, style: str = "") -> None:
        """Tell one thing that happened just now."""
        stamp = Text(f"[{self.elapsed_s:5.1f} s] ", style="dim")
        line = Text(text, style=style)
        if self._console.is_terminal:
            self._console.print(stamp + line)
        else:
            self._console.print(stamp + line, soft_wrap=True)

    @contextmanager
    def waiting(self, text: str) -> Iterator[None]:
        """Show on a terminal what is waited for."""
        if not self._console.is_terminal:
            yield
            return
        with self._console.status(Text(text)):
            yield

    def table(self, outcomes: Sequence[Outcome]) -> None:
        """Print the closing table."""
        drawn = Table(box=box.ROUNDED if self._console.is_terminal else box.ASCII2)
        drawn.title = "What happened"
        for column in ("step", "what", "seen", "result"):
            drawn.add_column(column, overflow="fold")
        styles = {True: "green", False: "bold red", None: "yellow"}
        for outcome in outcomes:
            result = Text(outcome.result, style=styles[outcome.is_good])
            drawn.add_row(Text(outcome.step), Text(outcome.what), Text(outcome.seen), result)
        self._console.print()
        self._console.print(drawn)


def _console() -> Console:
    console = Console(highlight=False, markup=False, emoji=False)
    if not console.is_terminal:
        console.width = _WIDTH_PLAIN
    return console


def megabytes(count: float) -> str:
    """Return a number of bytes as people read it, decimal."""
    if count >= 1e9:
        return f"{count / 1e9:.2f} GB"
    return f"{count / 1e6:.1f} MB"
