"""A benchmark's result: rows of one table, printed and as JSON."""

import platform
from dataclasses import dataclass, field
from os import cpu_count
from typing import Any


@dataclass
class Table:
    """title: what was measured. columns: headings. rows: one value per column.

    missed: goals that were not reached, in words.
    """

    title: str
    columns: tuple[str, ...]
    rows: list[tuple[Any, ...]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)

    def add(self, *values: Any) -> None:
        """Add a row."""
        assert len(values) == len(self.columns), "a value for each column"
        self.rows.append(values)

    def show(self) -> None:
        """Print the table as aligned text."""
        cells = [self.columns, *[tuple(_text(value) for value in row) for row in self.rows]]
        widths = [max(len(row[i]) for row in cells) for i in range(len(self.columns))]
        print(f"{self.title} ({cpu_count()} cores, {platform.system()} {platform.machine()})")
        for row in cells:
            print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)))
        for note in self.notes:
            print(f"- {note}")
        for goal in self.missed:
            print(f"MISSED: {goal}")

    def plain(self) -> dict[str, Any]:
        """Return everything for JSON."""
        rows = [dict(zip(self.columns, row, strict=True)) for row in self.rows]
        return {"title": self.title, "rows": rows, "notes": self.notes, "missed": self.missed}


def _text(value: Any) -> str:
    if not isinstance(value, float):
        return str(value)
    return f"{value:.3g}" if abs(value) < 100 else f"{value:.0f}"
