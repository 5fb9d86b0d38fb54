"""What docker/ promises on paper: the Compose file, the Dockerfile, the scripts, the README.

Nothing here needs an engine.
"""

import os
import re
import shlex
import shutil
from typing import Any

import click
import pytest
import yaml

from syncd.cli.main import COMMANDS, syncd
from tests.docker.tools import COMPOSE_FILE, DOCKER, ROOT, compose, run

COMPOSE: dict[str, Any] = yaml.safe_load(COMPOSE_FILE.read_text(encoding="utf-8"))
SERVICES: dict[str, dict[str, Any]] = COMPOSE["services"]
BOXES = ("offload-1", "process-1", "edit-1")
DOCKERFILE = (DOCKER / "Dockerfile").read_text(encoding="utf-8")
README = (DOCKER / "README.md").read_text(encoding="utf-8")
SCRIPTS = ("base", "build", "set-up")
SHELL = [
    line.strip()
    for body in re.findall(r"(?ms)^ *```sh\n(.*?)^ *```$", README)
    for line in body.splitlines()
]
PLACES = {
    "SYNCD_CONFIGS": "/srv/boxes",
    "SYNCD_LANDING": "/srv/one landing: of two",
    "SYNCD_STORAGE": "/srv/storage",
    "SYNCD_RUSHES": "/srv/rushes",
}


def mounts(box: str) -> dict[str, dict[str, Any]]:
    """Return the mounts of a service by where they appear."""
    return {mount["target"]: mount for mount in SERVICES[box]["volumes"]}


def test_there_is_a_service_for_each_role_under_the_name_that_commands_use() -> None:
    """`docker exec offload-1 …` means the same with either generation of Compose."""
    assert tuple(SERVICES) == BOXES
    for box, service in SERVICES.items():
        assert service["container_name"] == f"${{SYNCD_PREFIX:-}}{box}"
    assert "version" not in COMPOSE, "the newer Compose warns of it"


@pytest.mark.parametrize("box", BOXES)
def test_a_box_has_no_rights_that_it_does_not_need(box: str) -> None:
    """Read-only root, no root user, no capability, none to be gained, no port open to outside."""
    service = SERVICES[box]

    assert service["read_only"] is True
    assert service["user"] == "${SYNCD_USER:-8840:8840}"
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    assert not {"privileged", "cap_add", "ports", "network_mode", "pid", "devices"} & set(service)


@pytest.mark.parametrize("box", BOXES)
def test_a_box_is_watched_and_gets_the_time_to_end(box: str) -> None:
    """A health check, a first process that collects what notices start, and a grace time."""
    service = SERVICES[box]

    assert set(service["healthcheck"]) == {"interval", "timeout", "start_period", "retries"}
    assert service["init"] is True
    unit = (ROOT / "configs" / "syncd.service").read_text(encoding="utf-8")
    assert f"\nTimeoutStopSec={service['stop_grace_period'].removesuffix('s')}\n" in unit


def test_only_the_landing_is_mounted_read_only_and_configurations_are() -> None:
    """A landing's media is only ever read; storage and rushes are written to."""
    assert mounts("offload-1")["/landing"]["read_only"] is True
    assert "read_only" not in mounts("process-1")["/storage"]
    assert "read_only" not in mounts("edit-1")["/rushes"]
    for box in BOXES:
        assert mounts(box)["/etc/syncd"]["read_only"] is True


def test_keys_and_journals_are_in_a_volume_of_each_box() -> None:
    """No box sees another's keys, and `down` without --volumes keeps them."""
    sources = [mounts(box)["/var/lib/syncd"]["source"] for box in BOXES]

    assert sources == [f"{box}-state" for box in BOXES]
    assert set(sources) == set(COMPOSE["volumes"])


def test_the_network_is_closed_and_lets_multicast_through() -> None:
    """Docker's rules for an internal network drop the multicast that discovery needs."""
    network = COMPOSE["networks"]["set"]

    assert "internal" not in network
    assert network["driver_opts"]["com.docker.network.bridge.enable_ip_masquerade"] == "false"


def test_everything_it_makes_is_labelled() -> None:
    """What is left over can be found by one label."""
    made = [*SERVICES.values(), *COMPOSE["networks"].values(), *COMPOSE["volumes"].values()]

    assert all(thing["labels"] == {"local.syncd": "compose"} for thing in made)
    assert "LABEL local.syncd=image" in DOCKERFILE


def test_compose_itself_accepts_the_file() -> None:
    """The tool that is here reads it, fills in the user's folders, and finds nothing wrong."""
    words = compose()
    if words is None:
        pytest.skip("neither docker compose nor docker-compose is installed")

    said = run(*words, "--file", COMPOSE_FILE, "config", env=PLACES)

    services = yaml.safe_load(said)["services"]
    sources = {mount["source"] for box in BOXES for mount in services[box]["volumes"]}
    assert PLACES["SYNCD_LANDING"] in sources
    assert f"{PLACES['SYNCD_CONFIGS']}/edit-1" in sources
    assert services["edit-1"]["image"] == "syncd:local"


def test_the_image_is_built_on_any_base_and_runs_as_no_root() -> None:
    """Base as an argument, the daemon without a shell around it, SIGTERM, a health check."""
    assert "\nARG BASE=python:3.11-slim\n" in DOCKERFILE
    assert set(re.findall(r"(?m)^FROM (\S+)", DOCKERFILE)) == {"${BASE}"}
    assert re.findall(r"(?m)^USER (.+)", DOCKERFILE) == ["8840:8840"]
    for line in ('ENTRYPOINT ["syncd"]', 'CMD ["run"]', "STOPSIGNAL SIGTERM"):
        assert f"\n{line}\n" in DOCKERFILE
    assert "get('/healthz')" in DOCKERFILE
    assert re.search(r"(?<![-\w])python(?![3:\w])", re.sub(r"(?m)^#.*", "", DOCKERFILE)) is None


def test_nothing_but_the_program_is_sent_to_the_engine() -> None:
    """A recording, a key or a history in the clone must not get into an image."""
    lines = (ROOT / ".dockerignore").read_text(encoding="utf-8").split("\n")
    rules = [line for line in lines if line and not line.startswith("#")]

    assert rules[0] == "*"
    assert {rule for rule in rules if rule.startswith("!")} == {
        "!pyproject.toml",
        "!README.md",
        "!syncd",
        "!configs",
        "!docker/wheels",
    }


@pytest.mark.parametrize("script", SCRIPTS)
def test_a_script_is_sound(script: str) -> None:
    """It can be run, stops at the first failure, and its syntax is right."""
    path = DOCKER / script

    assert os.access(path, os.X_OK)
    assert "\nset -euo pipefail\n" in path.read_text(encoding="utf-8")
    run("bash", "-n", path)


@pytest.mark.parametrize("script", SCRIPTS)
def test_a_script_has_no_known_slip_of_the_shell(script: str) -> None:
    """Quoting and the like, as the shell's checker sees it."""
    if shutil.which("shellcheck") is None:
        pytest.skip("shellcheck is not installed")
    run("shellcheck", DOCKER / script)


@pytest.mark.parametrize("line", SHELL)
def test_every_command_of_its_readme_exists(line: str) -> None:
    """Scripts and services are there, and syncd knows each command and option."""
    words = shlex.split(line, comments=True)

    if words[0].startswith("docker/"):
        assert os.access(ROOT / words[0], os.X_OK)
        options = {word for word in words if word.startswith("--")}
        assert all(option in (ROOT / words[0]).read_text(encoding="utf-8") for option in options)
    elif words[:2] in (["docker", "exec"], ["docker-compose", "run"]):
        box = next(word for word in words if word in BOXES)
        typed = [word for word in words[words.index(box) + 1 :] if word != "syncd"]
        command = syncd.get_command(click.Context(syncd), typed[0])
        assert command is not None, f"{typed[0]} is none of {', '.join(COMMANDS)}"
        known = {option for parameter in command.params for option in parameter.opts}
        assert {word for word in typed if word.startswith("-")} <= known
    else:
        assert words[0] in ("cd", "chown", "docker-compose")
