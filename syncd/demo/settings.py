"""The shipped example configurations, fitted to one machine: paths, ports and fingerprints.

Owns: finding the examples and changing single values in them; everything else stays as shipped.
Must not: know which values the demo needs.
"""

import re
from importlib import resources
from pathlib import Path

Changes = dict[tuple[str, str], str]
_HEADER = re.compile(r"\[\[?([a-z]+)\]\]?")


def example(name: str) -> str:
    """Return an example as shipped: from the installed package, else from the checkout."""
    shipped = resources.files("syncd") / "configs" / name
    if shipped.is_file():
        return shipped.read_text(encoding="utf-8")
    checkout = Path(__file__).resolve().parent.parent.parent / "configs" / name
    return checkout.read_text(encoding="utf-8")


def fitted(text: str, changes: Changes) -> str:
    """Return a configuration with other values.

    changes: by table and key the new value, as TOML. A table is "node", or "peer process-1" where
    several are told apart by their name. A key that is there, or there as a comment, is replaced;
    else it is added at the table's head. Raises KeyError if there is no such table.
    """
    sections = _sections(text)
    for (table, key), value in changes.items():
        _section(sections, table)[:] = _with(_section(sections, table), key, value)
    return "\n".join(line for section in sections for line in section) + "\n"


def _sections(text: str) -> list[list[str]]:
    """Cut at the table headers; the first piece is what stands before any."""
    sections: list[list[str]] = [[]]
    for line in text.splitlines():
        if _HEADER.match(line):
            sections.append([])
        sections[-1].append(line)
    return sections


def _section(sections: list[list[str]], table: str) -> list[str]:
    kind, _, name = table.partition(" ")
    for section in sections[1:]:
        match = _HEADER.match(section[0])
        assert match is not None, "sections were cut at headers"
        if match[1] == kind and (not name or _is_named(section, name)):
            return section
    raise KeyError(table)


def _is_named(section: list[str], name: str) -> bool:
    return any(re.match(rf'name\s*=\s*"{re.escape(name)}"', line) for line in section)


def _with(section: list[str], key: str, value: str) -> list[str]:
    for pattern in (rf"{key}\s*=", rf"#\s*{key}\s*="):
        for place, line in enumerate(section):
            if re.match(pattern, line):
                return [*section[:place], f"{key} = {value}", *section[place + 1 :]]
    return [section[0], f"{key} = {value}", *section[1:]]
