"""A deliberate defect: production code as it might have been written wrongly, for a while.

Owns: putting a wrong line where a right one stands, in the running program only, and counting that
the wrong one was executed. Must not: leave anything behind, or pass over code that has changed.

A function's code object is exchanged, so that it does not matter who has imported it. Code is
compared as ast.unparse() writes it (single quotes, no comments), so that layout does not matter.
"""

import ast
import inspect
import textwrap
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import cached_property
from importlib import import_module
from types import CodeType, FunctionType
from typing import Any

from tests.faults.virtual_time import SimulationStuckError

RAN = "ran()"
_COUNTER = "_ran_by_defect"
BROKEN_PROMISE = (AssertionError, TimeoutError, SimulationStuckError)


class DefectOutdatedError(Exception):
    """The code that a defect makes wrong has changed or gone: the defect must follow it."""


@dataclass(frozen=True)
class Edit:
    """One wrong place.

    where: "module:function" or "module:Class.method", the module below syncd.
    right: what stands there, once, as ast.unparse() writes it; further lines without indentation.
    wrong: what is put in its place; it calls ran(), which gives True, so that we know.
    """

    where: str
    right: str
    wrong: str

    def __post_init__(self) -> None:
        assert RAN in self.wrong, f"{self.where}: the wrong code does not say that it ran"


@dataclass(frozen=True)
class Defect:
    """What is wrong, where, and how it is found.

    promise: the one of design.md that it breaks. says: how, in one sentence.
    found_by: runs one seed; raises AssertionError if a promise is broken.
    seeds_max: within so many seeds it must be found.
    """

    name: str
    promise: int
    says: str
    edits: tuple[Edit, ...]
    found_by: Callable[[int], object]
    seeds_max: int

    @contextmanager
    def planted(self) -> Iterator[Counter[Edit]]:
        """Have the wrong code run; yields how often each of the edits was executed."""
        ran: Counter[Edit] = Counter()
        with ExitStack() as undo:
            for where in dict.fromkeys(edit.where for edit in self.edits):
                edits = [edit for edit in self.edits if edit.where == where]
                _plant(_function_at(where), edits, ran, undo)
            yield ran

    def find(self, seeds: range) -> "Found":
        """Run seeds until one fails. Raises AssertionError if none does, or for another reason."""
        with self.planted() as ran:
            for tried, seed in enumerate(seeds, 1):
                try:
                    self.found_by(seed)
                except BROKEN_PROMISE as error:
                    self._check_ran(ran, seed, error)
                    return Found(tried, seed, str(error) or type(error).__name__)
            counts = {edit.where: ran[edit] for edit in self.edits}
        raise AssertionError(f"{self.name}: not found in {seeds}; executed {counts}")

    def _check_ran(self, ran: Counter[Edit], seed: int, error: BaseException) -> None:
        idle = [edit.where for edit in self.edits if not ran[edit]]
        assert not idle, f"{self.name}: seed {seed} failed without {idle}: {error}"


@dataclass(frozen=True)
class Found:
    """How a defect was found: after so many seeds, by this one, and what the run said."""

    tried: int
    seed: int
    said: str


def _plant(function: FunctionType, edits: list[Edit], ran: Counter[Edit], undo: ExitStack) -> None:
    right_code, wrong_code = function.__code__, _wrong_code(function, edits)
    counters = function.__globals__.setdefault(_COUNTER, {})

    def count(number: int) -> bool:
        ran[edits[number]] += 1
        return True

    counters[function.__qualname__] = count
    function.__code__ = wrong_code
    undo.callback(function.__globals__.pop, _COUNTER, None)
    undo.callback(setattr, function, "__code__", right_code)


def _function_at(where: str) -> FunctionType:
    module, _, path = where.partition(":")
    found: Any = import_module(f"syncd.{module}")
    for name in path.split("."):
        found = inspect.getattr_static(found, name, None)
    if isinstance(found, property):
        found = found.fget
    elif isinstance(found, cached_property):
        found = found.func
    found = inspect.unwrap(getattr(found, "__func__", found)) if found is not None else None
    if not isinstance(found, FunctionType):
        raise DefectOutdatedError(f"syncd/{module.replace('.', '/')}.py has no function {path}.")
    return found


def _wrong_code(function: FunctionType, edits: list[Edit]) -> CodeType:
    (definition,) = ast.parse(textwrap.dedent(inspect.getsource(function))).body
    assert isinstance(definition, ast.FunctionDef | ast.AsyncFunctionDef)
    definition.decorator_list.clear()
    text = ast.unparse(definition)
    for number, edit in enumerate(edits):
        counted = f"{_COUNTER}[{function.__qualname__!r}]({number})"
        text = _replaced(text, edit, edit.wrong.replace(RAN, counted))
    compiled = compile(text, f"<defect in {function.__qualname__}>", "exec")
    (code,) = [const for const in compiled.co_consts if isinstance(const, CodeType)]
    assert code.co_freevars == function.__code__.co_freevars, "closures cannot be exchanged"
    return code


def _replaced(text: str, edit: Edit, wrong: str) -> str:
    """Replace the one place, whose further lines are as far in as its first."""
    first = edit.right.partition("\n")[0]
    for line in text.splitlines():
        if first in line:
            indentation = line[: len(line) - len(line.lstrip())]
            right = edit.right.replace("\n", f"\n{indentation}")
            if text.count(right) == 1:
                return text.replace(right, wrong.replace("\n", f"\n{indentation}"))
    raise DefectOutdatedError(
        f"{edit.where} has not, or not just once:\n{edit.right}\nIt is now:\n{text}"
    )
