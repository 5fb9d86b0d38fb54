"""Three nodes for a scenario, on the best backend that works here; the summary says on which.

Logs are copied out before a failed scenario's nodes are removed.
"""

from collections.abc import Callable, Generator, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.two_node.choosing import KINDS, Choice
from tests.two_node.node import USUAL, Nodes, NotHere, Settings

CHOICE = pytest.StashKey[Choice]()
REPORT = pytest.StashKey[pytest.TestReport]()

MakeNodes = Callable[..., Nodes]


def pytest_configure(config: pytest.Config) -> None:
    """Begin the account of what runs on what."""
    config.stash[CHOICE] = Choice()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave time for the first scenario to build an image, and for slow machines."""
    for item in items:
        if Path(__file__).parent in item.path.parents and not item.get_closest_marker("timeout"):
            item.add_marker(pytest.mark.timeout(1200))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Remember how a scenario ended, for its fixture to know."""
    report = yield
    if report.when == "call":
        item.stash[REPORT] = report
    return report


@pytest.hookimpl(wrapper=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> Generator[None, Any, Any]:
    """Count and name what a backend cannot do."""
    try:
        return (yield)
    except NotHere as reason:
        choice: Choice = pyfuncitem.config.stash[CHOICE]
        choice.left_out.append(f"{pyfuncitem.name}: {reason}")
        pytest.skip(str(reason))


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    """Say which backend the scenarios ran on, and why not on a better one."""
    for line in config.stash[CHOICE].summary():
        terminalreporter.write_line(line)


@pytest.fixture(scope="session")
def choice(pytestconfig: pytest.Config) -> Choice:
    """What this machine can do."""
    return pytestconfig.stash[CHOICE]


@pytest.fixture(params=["best", *(pytest.param(kind, marks=pytest.mark.long) for kind in KINDS)])
def kind(request: pytest.FixtureRequest, choice: Choice) -> str:
    """Give the backend of a scenario: the best one; in the long run each in turn."""
    wanted = str(request.param)
    if wanted == "best":
        return choice.best()
    if why := choice.why_not(wanted):
        choice.left_out.append(f"{request.node.name}: {why}")
        pytest.skip(f"no {wanted} here: {why}")
    return wanted


@pytest.fixture
def make_nodes(
    kind: str, choice: Choice, request: pytest.FixtureRequest, tmp_path: Path
) -> Iterator[MakeNodes]:
    """Give the function that sets three nodes up; they are removed after the scenario."""
    made: list[Nodes] = []

    def make(settings: Settings = USUAL) -> Nodes:
        made.append(choice.make(kind, settings))
        return made[-1]

    yield make
    report = request.node.stash.get(REPORT, None)
    for nodes in made:
        try:
            if report is None or report.failed:
                _keep_logs(nodes, tmp_path)
        finally:
            nodes.close()


@pytest.fixture
def nodes(make_nodes: MakeNodes) -> Nodes:
    """Give three nodes, set up as usual and started."""
    made = make_nodes()
    made.start()
    return made


def _keep_logs(nodes: Nodes, folder: Path) -> None:
    """Copy out what the daemons said, and show the end of it with the failure."""
    for node in nodes.all:
        text = node.log_text()
        (folder / f"{node.name}.log").write_text(text)
        print(f"--- {node.name}, all of it in {folder / node.name}.log\n{text[-3000:]}")  # noqa: T201
