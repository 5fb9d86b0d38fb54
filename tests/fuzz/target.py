"""One parser that meets foreign bytes, in the shape in which it is tried.

A target's one() feeds bytes to the parser and returns True if they were taken. It lets through
whatever the parser does not promise to raise, and asserts what must hold of what was taken.
"""

import importlib
import pkgutil
from collections.abc import Callable
from dataclasses import dataclass

from tests.fuzz import targets


@dataclass(frozen=True)
class Target:
    """What is tried, and from what it begins.

    seeds: valid examples; one() takes each. prefix_bytes: how many bytes in front choose a variant
    and are no part of what is parsed. is_packed: the rest is msgpack, and is also changed as that.
    tokens: what makes the grammar go another way. bytes_max: longer inputs are not tried.
    """

    name: str
    one: Callable[[bytes], bool]
    seeds: Callable[[], list[bytes]]
    prefix_bytes: int = 0
    is_packed: bool = False
    tokens: tuple[bytes, ...] = ()
    bytes_max: int = 4096


def names() -> list[str]:
    """Return the names of all targets."""
    return [each.name.replace("_", "-") for each in pkgutil.iter_modules(targets.__path__)]


def load(name: str) -> Target:
    """Return a target by its name."""
    module = importlib.import_module(f"{targets.__name__}.{name.replace('-', '_')}")
    found = module.TARGET
    assert isinstance(found, Target)
    assert found.name == name
    return found
