"""What the tests of docker/ share: an engine, or a skip that says why there is none; the image."""

from collections.abc import Iterator

import pytest

from tests.docker.tools import BUILD_S, DOCKER, new_name, remove, remove_orphans, run, why_no_engine

TAG = "syncd:local"


@pytest.fixture(scope="session")
def engine() -> Iterator[str]:
    """Give the label of this run on an engine that answers; nothing with it stays."""
    if reason := why_no_engine():
        pytest.skip(f"{reason}; tests/two_node runs the same daemons without containers")
    remove_orphans()
    name = new_name()
    yield name
    remove(name)


@pytest.fixture(scope="session")
def image(engine: str) -> str:  # noqa: ARG001 - it skips
    """Build the image as a user does, and give its id: another clone may move the tag."""
    run(DOCKER / "build", timeout_s=BUILD_S)
    return run("docker", "image", "inspect", "--format", "{{.Id}}", TAG).strip()
