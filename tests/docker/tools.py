"""Running the scripts of docker/, `docker` and Compose; an error has their own words.

Owns: which Compose there is, why no engine can be used, what a killed run left behind.
"""

import os
import shutil
from functools import cache
from pathlib import Path

from tests.shell import ToolError, run, works

__all__ = ["ToolError", "compose", "new_name", "remove", "remove_orphans", "run", "why_no_engine"]

ROOT = Path(__file__).parent.parent.parent
DOCKER = ROOT / "docker"
COMPOSE_FILE = DOCKER / "docker-compose.yml"
BUILD_S = 900.0  # a base from a slow mirror, then the wheels; a minute is usual
PREFIX = "syncd-docker-test-"


@cache
def why_no_engine() -> str:
    """Return why containers cannot be started here, "" if they can."""
    if shutil.which("docker") is None:
        return "there is no docker command"
    return "" if works("docker", "version", timeout_s=20) else "no Docker engine answers"


@cache
def compose() -> tuple[str, ...] | None:
    """Return the words that run Compose, of either generation; None if there is none."""
    both: tuple[tuple[str, ...], ...] = (("docker", "compose"), ("docker-compose",))
    return next((words for words in both if works(*words, "version")), None)


def new_name() -> str:
    """Return the name of this run's things: it has the process in it, to find what is left."""
    return f"{PREFIX}{os.getpid()}"


def remove(name: str) -> None:
    """Remove the containers, networks and volumes of the run or the Compose project name."""
    for label in (f"local.syncd.test={name}", f"com.docker.compose.project={name}"):
        mine = ("--quiet", "--filter", f"label={label}")
        for found, removal in (
            (("ps", "--all"), ("rm", "--force", "--volumes")),
            (("network", "ls"), ("network", "rm")),
            (("volume", "ls"), ("volume", "rm")),
        ):
            if ids := run("docker", *found, *mine).split():
                run("docker", *removal, *ids)


def remove_orphans() -> None:
    """Remove what earlier runs on this machine left whose process was killed."""
    form = '{{.Label "local.syncd.test"}} {{.Label "com.docker.compose.project"}}'
    names: set[str] = set()
    for listing in (("ps", "--all"), ("network", "ls"), ("volume", "ls")):
        names.update(run("docker", *listing, "--format", form).split())
    for name in names:
        owner = name.removeprefix(PREFIX)
        if name.startswith(PREFIX) and owner.isdigit() and not Path("/proc", owner).exists():
            remove(name)
