"""The house rules that a machine can check, over all of syncd/.

A rule broken here is mended in the code. The one ratchet, LONG_FUNCTIONS, only ever shrinks.
"""

import ast
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parent.parent / "syncd"
MODULES = sorted(path.relative_to(ROOT).as_posix() for path in ROOT.rglob("*.py"))
MODULES = [module for module in MODULES if not module.startswith("configs/")]

# Where the world is asked. Everybody else gets it through syncd/ports.py.
EDGES = (
    "edges/",
    "cli/",
    "demo/",
    "board/entrance.py",
    "board/server.py",
    "wire/control_",
    "wire/dial.py",
    "wire/discovery.py",
    "wire/handshakes.py",
    "wire/identity.py",
    "wire/pairing_dial.py",
    "landing/watch.py",
    "notices/command.py",
    "notices/webhook.py",
    "journal/journal.py",
    "config/reading.py",
    "node.py",
    "__main__.py",
)
WORLD = frozenset(
    {
        *("fcntl", "glob", "http", "io", "mmap", "multiprocessing", "os", "random", "secrets"),
        *("select", "selectors", "shutil", "signal", "socket", "socketserver", "ssl"),
        *("subprocess", "tempfile", "time", "urllib.request", "uuid"),
    }
)
# Pure in every sense: these change the shape of values and ask nobody, not even a journal.
PURE: tuple[str, ...] = ("roll/", "schedule/", "wire/seal.py", "wire/frames.py", "wire/messages.py")
PURE += ("wire/pairing.py", "wire/pairing_code.py", "wire/pairing_frames.py", "wire/frame_seal.py")
PURE += ("speed/arithmetic.py", "speed/findings.py", "speed/hardware.py")
PURE += ("landing/decide.py", "landing/file_systems.py")
IMPURE = WORLD | {"asyncio", "concurrent", "logging", "sqlite3", "threading"}
# A feed is shared by lanes in threads; it needs a lock and nothing else of the world.
PURE_WITH_LOCK = ("schedule/feed.py",)

FUNCTION_LINES_MAX = 70
# Function: lines it may have. What is long is not rewritten for the rule's sake, and may not grow.
LONG_FUNCTIONS: dict[str, int] = {}


@cache
def tree_of(module: str) -> ast.Module:
    """Parse one module of syncd/."""
    return ast.parse((ROOT / module).read_text(encoding="utf-8"), module)


def is_edge(module: str) -> bool:
    """Tell whether a module may ask the world."""
    return module.startswith(EDGES)


def imports_of(module: str) -> Iterator[tuple[int, str]]:
    """Yield line and dotted name of everything a module imports, also inside functions."""
    for node in ast.walk(tree_of(module)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}:{node.lineno}: a relative import"
            yield node.lineno, node.module or ""
            for alias in node.names:
                yield node.lineno, f"{node.module}.{alias.name}"


def is_one_of(name: str, banned: frozenset[str]) -> bool:
    """Tell whether a dotted name is, or lies in, a banned module."""
    parts = name.split(".")
    return any(".".join(parts[:count]) in banned for count in range(1, len(parts) + 1))


INNER = [module for module in MODULES if not is_edge(module)]


def check(modules: list[str], rule: Callable[[str], Iterable[tuple[int, str]]]) -> None:
    """Fail with all places where a rule is broken, one a line, as an editor can follow them."""
    assert modules, "the rule is about no module at all"
    lines = [
        f"syncd/{module}:{line}: {text}"
        for module in modules
        for line, text in sorted(rule(module))
    ]
    assert not lines, "\n".join(["", *lines])


def importing(
    *banned: str, but: tuple[str, ...] = ()
) -> Callable[[str], Iterator[tuple[int, str]]]:
    """Make the rule that a module imports none of these, nor anything in them."""

    def find(module: str) -> Iterator[tuple[int, str]]:
        for line, name in imports_of(module):
            if is_one_of(name, frozenset(banned)) and not is_one_of(name, frozenset(but)):
                yield line, f"imports {name}"

    return find


def test_only_the_edges_ask_the_world() -> None:
    """Time, chance, sockets and files come through the ports, so that a seed replays a day."""
    check(INNER, importing(*WORLD))


def test_only_the_edges_open_files() -> None:
    """A file is reached through a Folder, which never leaves its root nor follows a link."""
    banned = {"open", "input", "print"}

    def find(module: str) -> Iterator[tuple[int, str]]:
        for node in ast.walk(tree_of(module)):
            if isinstance(node, ast.Call) and ast.unparse(node.func) in banned:
                yield node.lineno, ast.unparse(node)

    check(INNER, find)


def test_inner_code_sleeps_by_the_clock_that_is_passed_in() -> None:
    """Asyncio's sleep, threads and streams would escape the simulated clock."""
    banned = {"sleep", "to_thread", "run_in_executor", "open_connection", "start_server"}
    escapes = {f"{owner}.{name}" for owner in ("asyncio", "loop") for name in banned}

    def find(module: str) -> Iterator[tuple[int, str]]:
        for node in ast.walk(tree_of(module)):
            if isinstance(node, ast.Attribute) and ast.unparse(node) in escapes:
                yield node.lineno, ast.unparse(node)

    check(INNER, find)


def test_the_pure_rooms_import_no_input_or_output() -> None:
    """What a roll is, and in which order rolls go, is decided without asking anybody."""
    pure = [module for module in MODULES if module.startswith(PURE)]
    check([m for m in pure if m not in PURE_WITH_LOCK], importing(*IMPURE))
    check([m for m in pure if m in PURE_WITH_LOCK], importing(*IMPURE, but=("threading",)))


def test_what_a_roll_is_depends_on_no_other_room() -> None:
    """roll/ is the ground; only limits and errors lie below it."""
    below = ("syncd.roll", "syncd.limits", "syncd.errors")
    check([m for m in MODULES if m.startswith("roll/")], importing("syncd", but=below))


def test_nobody_imports_the_commands() -> None:
    """The commands are a client of the daemon; the daemon does not know them."""
    others = [m for m in MODULES if not m.startswith("cli/") and m != "__main__.py"]
    check(others, importing("syncd.cli"))


def test_sql_is_nowhere_but_in_the_journal() -> None:
    """Whoever needs the journal calls a function that has a name."""

    def find(module: str) -> Iterator[tuple[int, str]]:
        yield from importing("sqlite3")(module)
        for node in ast.walk(tree_of(module)):
            if isinstance(node, ast.Attribute) and node.attr in {"execute", "executemany"}:
                yield node.lineno, ast.unparse(node)

    check([m for m in MODULES if not m.startswith("journal/")], find)


def test_a_hold_ends_in_one_place() -> None:
    """That is rolls.release(), which says so in the roll's history; whoever ends one calls it."""
    ends = [
        f"{module}:{node.lineno}"
        for module in MODULES
        for node in ast.walk(tree_of(module))
        if isinstance(node, ast.Constant) and "held_code = NULL" in str(node.value)
    ]
    assert len(ends) == 1, ends


def test_every_module_says_what_it_owns() -> None:
    """A docstring opens each module; it is the first thing a reader needs."""

    def find(module: str) -> Iterator[tuple[int, str]]:
        text = ast.get_docstring(tree_of(module)) or ""
        if not text:
            yield 1, "no docstring"
        if "copyright" in text.lower():
            yield 1, "a licence is no docstring"

    check([m for m in MODULES if not m.endswith("__init__.py")], find)


def functions_of(module: str) -> Iterator[tuple[int, str, int]]:
    """Yield line, name and length in lines of every function."""
    for node in ast.walk(tree_of(module)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            yield node.lineno, node.name, (node.end_lineno or node.lineno) - node.lineno + 1


def test_functions_stay_short() -> None:
    """Nothing is longer than a screen, except what is listed, and that may not grow."""

    def find(module: str) -> Iterator[tuple[int, str]]:
        for line, name, length in functions_of(module):
            allowed = LONG_FUNCTIONS.get(f"{module}:{name}", FUNCTION_LINES_MAX)
            if length > allowed:
                yield line, f"{name} has {length} lines, of {allowed}"

    check(MODULES, find)


def test_the_long_functions_that_are_listed_are_that_long() -> None:
    """The ratchet lists nothing that has become shorter or has gone."""
    for key, allowed in LONG_FUNCTIONS.items():
        module, listed = key.split(":")
        lengths = [length for _, name, length in functions_of(module) if name == listed]
        assert max(lengths, default=0) == allowed, f"{key} is not that long"


def test_no_failure_is_swallowed_whole() -> None:
    """A bare except, or `except Exception: pass`, hides what a person should have been told."""

    def find(module: str) -> Iterator[tuple[int, str]]:
        for node in ast.walk(tree_of(module)):
            if isinstance(node, ast.ExceptHandler) and swallows(node):
                yield node.lineno, ast.unparse(node).replace("\n", " ")
            elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith("suppress"):
                yield from ((node.lineno, ast.unparse(node)) for a in node.args if is_broad(a))

    check(MODULES, find)


def swallows(handler: ast.ExceptHandler) -> bool:
    """Tell whether a handler takes everything, or takes nearly everything and stays silent."""
    if handler.type is None:
        return True
    return is_broad(handler.type) and all(is_idle(statement) for statement in handler.body)


def is_broad(node: ast.expr) -> bool:
    """Tell whether an except clause takes everything."""
    names = {name.id for name in ast.walk(node) if isinstance(name, ast.Name)}
    return bool(names & {"Exception", "BaseException"})


def is_idle(statement: ast.stmt) -> bool:
    """Tell whether a statement does nothing about a failure."""
    if isinstance(statement, ast.Expr):
        return isinstance(statement.value, ast.Constant)
    return isinstance(statement, ast.Pass | ast.Continue)


def test_every_task_has_an_owner() -> None:
    """A task that nobody keeps can vanish in mid-work; a TaskGroup keeps its own."""

    def find(module: str) -> Iterator[tuple[int, str]]:
        for node in ast.walk(tree_of(module)):
            if not (isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)):
                continue
            owner, _, made = ast.unparse(node.value.func).rpartition(".")
            if made in {"create_task", "ensure_future"} and "group" not in owner:
                yield node.lineno, ast.unparse(node)

    check(MODULES, find)
