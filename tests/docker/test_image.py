"""The image by itself, on a real engine: how it is built, and what a container of it may do."""

import json
import shutil
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.boxes import wait_until
from tests.docker.tools import BUILD_S, DOCKER, ROOT, run

pytestmark = pytest.mark.timeout(BUILD_S)

CONFIG = """
[node]
name = "edit-1"
roles = ["editorial"]
state = "/var/lib/syncd"
discover = false
"""
HEALTHY_S = 60.0
GRACE_S = 10
MADE_OF = (".dockerignore", "pyproject.toml", "README.md", "syncd", "configs", "docker")


def inspected(container: str) -> dict[str, Any]:
    """Return what the engine knows of a container."""
    found: dict[str, Any] = json.loads(run("docker", "inspect", container))[0]
    return found


def wait_healthy(container: str) -> None:
    """Wait until the engine calls a container healthy."""
    wait_until(
        lambda: inspected(container)["State"]["Health"]["Status"] == "healthy", HEALTHY_S, "health"
    )


@pytest.fixture
def container(engine: str, image: str, tmp_path: Path) -> Iterator[str]:
    """Give a running box on a read-only root, as a user whom the image does not know."""
    config = tmp_path / "etc"
    config.mkdir()
    (config / "syncd.toml").write_text(CONFIG)
    config.chmod(0o755)
    name = f"{engine}-alone"
    run(
        *("docker", "run", "--detach", "--name", name, "--label", f"local.syncd.test={engine}"),
        *("--read-only", "--user", "12345:12345", "--cap-drop", "ALL", "--network", "none"),
        *("--stop-timeout", str(GRACE_S), "--volume", f"{config}:/etc/syncd:ro", image),
    )
    yield name
    run("docker", "rm", "--force", "--volumes", name)


def test_building_again_makes_the_same_image(image: str) -> None:
    """What has not changed is not built again."""
    again = run(DOCKER / "build", timeout_s=BUILD_S)

    assert image in again


def test_what_changed_in_the_source_is_in_the_next_image(engine: str, tmp_path: Path) -> None:
    """No layer of an older source is taken for a newer one, and what was replaced is gone."""
    for name in MADE_OF:
        copy = shutil.copytree if (ROOT / name).is_dir() else shutil.copy
        copy(ROOT / name, tmp_path / name)
    tags = (f"{engine}:changed", f"{engine}:changed-build")
    seen: list[set[str]] = []
    try:
        for version in ("9.8.6", "9.8.7"):
            with (tmp_path / "syncd" / "__init__.py").open("a") as file:
                file.write(f'\n__version__ = "{version}"\n')
            run(tmp_path / "docker" / "build", env={"SYNCD_IMAGE": tags[0]}, timeout_s=BUILD_S)
            assert run("docker", "run", "--rm", tags[0], "--version") == f"syncd {version}\n"
            seen.append({run("docker", "images", "--quiet", "--no-trunc", tag) for tag in tags})
        first, second = seen
        assert "" not in first
        assert not first & second
        there = run("docker", "images", "--all", "--quiet", "--no-trunc")
        assert not any(image in there for image in first)
    finally:
        run("docker", "image", "rm", *tags)


def test_the_image_holds_no_state(image: str) -> None:
    """Keys and journals are made where it runs; no two boxes share a key from an image."""
    places = ("/var/lib/syncd", "/opt/syncd", "/root", "/tmp", "/etc")
    words = ("docker", "run", "--rm", "--user", "0:0", "--entrypoint", "find", image, *places)

    found = run(*words, "-name", "*.key", "-o", "-name", "*.sqlite*", "-o", "-name", "syncd.toml")

    assert found == ""
    listed = run("docker", "run", "--rm", "--entrypoint", "ls", image, "-A", "/var/lib/syncd")
    assert listed == ""


def test_the_daemon_runs_as_no_root_without_rights_on_a_read_only_root(container: str) -> None:
    """Whatever it might be talked into, it can write its state and what was mounted for it."""
    wait_healthy(container)

    status = run("docker", "exec", container, "cat", "/proc/1/status")
    fields = dict(line.split(":\t", 1) for line in status.splitlines() if ":\t" in line)
    assert fields["Uid"].split() == ["12345"] * 4
    assert int(fields["CapEff"], 16) == 0
    touched = "touch /var/lib/syncd/x && ! touch /x /opt/syncd/x /tmp/x 2>/dev/null"
    run("docker", "exec", container, "sh", "-c", touched)


def test_a_container_that_is_told_to_stop_ends_cleanly_in_time(container: str) -> None:
    """The daemon is the first process and ends on SIGTERM, which the kernel does not force."""
    wait_healthy(container)
    started_s = time.monotonic()

    run("docker", "stop", container)

    assert time.monotonic() - started_s < GRACE_S
    assert inspected(container)["State"]["ExitCode"] == 0


def test_a_container_whose_daemon_hangs_is_told_from_a_healthy_one(container: str) -> None:
    """The health check asks the daemon; that a process is there is not enough."""
    wait_healthy(container)
    probe = inspected(container)["Config"]["Healthcheck"]["Test"][1:]
    run("docker", "exec", container, *probe)

    run("docker", "kill", "--signal", "STOP", container)

    failed = f"! timeout 20 {_quoted(probe)} 2>/dev/null"
    run("docker", "exec", container, "sh", "-c", failed)


def _quoted(words: list[str]) -> str:
    return " ".join('"' + word.replace('"', '\\"') + '"' for word in words)
