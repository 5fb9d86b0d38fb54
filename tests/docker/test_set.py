"""The way that docker/README.md describes, its own lines run one after the other, with a real roll.

The folders are a user's: a landing and a storage that exist, the rest made by docker/set-up.
"""

import hashlib
import json
import os
import re
import shutil
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.boxes import wait_until
from tests.docker.test_files import BOXES, SHELL
from tests.docker.tools import BUILD_S, ROOT, ToolError, compose, remove, run

pytestmark = pytest.mark.timeout(BUILD_S)

IMAGE_USER = 8840
ROLL = "2026-03-14_D12/A012"
FOUND_S = 60.0  # some seconds are usual; a loaded machine starts three daemons slowly
STOP_S = 10.0


@dataclass(frozen=True)
class Set:
    """A user's home with three boxes in it; name is the prefix of containers and the project."""

    name: str
    home: Path
    words: tuple[str, ...]

    @property
    def boxes(self) -> Path:
        return self.home / "boxes"

    def typed(self, line: str, timeout_s: float = 120) -> str:
        """Run one line of the README as this user would, in the folder it says."""
        line = line.replace("docker-compose ", " ".join(self.words) + " ")
        line = re.sub(rf"\bexec ({'|'.join(BOXES)})\b", rf"exec {self.name}-\1", line)
        for place in ("/media/landing", "/mnt/array/rolls"):
            line = line.replace(place, str(self.home / place[1:]))
        where = ROOT if line.startswith("docker/") else self.boxes
        # As on a careful machine, where nobody else may read what a user makes.
        line = f"umask 077 && {line}"
        return run("bash", "-c", line, cwd=where, env=self.environment, timeout_s=timeout_s)

    @property
    def environment(self) -> dict[str, str]:
        own = os.environ.get("DOCKER_CONFIG", str(Path.home() / ".docker"))
        names = {"SYNCD_PREFIX": f"{self.name}-", "COMPOSE_PROJECT_NAME": self.name}
        names |= {"SUDO_UID": "", "SUDO_GID": ""}  # root, if it is root that runs this, as at login
        return {"HOME": str(self.home), "DOCKER_CONFIG": own, **names}

    def syncd(self, box: str, *words: str) -> Any:
        """Return the JSON that a command says in a box."""
        return json.loads(run("docker", "exec", f"{self.name}-{box}", "syncd", *words, "--json"))

    def state(self, box: str) -> dict[str, Any]:
        """Return what the engine knows of a box's container."""
        found = json.loads(run("docker", "inspect", f"{self.name}-{box}"))[0]
        return {**found["State"], "host": found["HostConfig"]}


@pytest.fixture
def home(engine: str, image: str, tmp_path: Path) -> Iterator[Set]:  # noqa: ARG001 - it is built
    """Give a user's home with a landing and a storage; nothing stays of the boxes."""
    words = compose()
    if words is None:
        pytest.skip("neither docker compose nor docker-compose is installed")
    landing, storage = tmp_path / "media" / "landing", tmp_path / "mnt" / "array" / "rolls"
    rushes = tmp_path / "rushes"
    for folder in (landing, storage, rushes):
        folder.mkdir(parents=True)
    yield Set(f"{engine}-set", tmp_path, words)
    remove(f"{engine}-set")


def wait_for(question: Any, what: str) -> None:
    """Ask until the answer is yes; a box that does not answer yet has not said no."""
    said = ""

    def is_so() -> bool:
        nonlocal said
        try:
            return bool(question())
        except ToolError as error:
            said = str(error)
            return False

    wait_until(is_so, FOUND_S, what, every_s=0.5, state=lambda: said)


def offload(landing: Path) -> dict[str, bytes]:
    """Put a roll with a checksum list into the landing, the list last; return its media."""
    media = {f"A012C00{n}.mov": os.urandom(3_000_000 + n) for n in (1, 2, 3)}
    roll = landing / ROLL
    roll.mkdir(parents=True)
    for name, content in media.items():
        (roll / name).write_bytes(content)
    lines = [f"{hashlib.md5(c, usedforsecurity=False).hexdigest()}  {n}" for n, c in media.items()]
    (roll / "A012.md5").write_text("\n".join(lines) + "\n")
    return media


def test_the_lines_of_the_readme_bring_a_roll_from_a_card_to_the_cutting_room(home: Set) -> None:
    """Set up, mark, start: the boxes find each other; a roll is handed over and fetched."""
    build, set_up, own, into, mark, up, check, rolls, follow, fetch, show, enter = SHELL
    assert into == "cd ~/boxes"
    home.typed(build, BUILD_S)
    said = home.typed(set_up)
    if os.getuid() == 0:
        for place in ("mnt/array/rolls", "rushes"):
            assert f"chown {IMAGE_USER}:{IMAGE_USER} '{home.home / place}'" in said
        home.typed(own)
    assert "chown" not in home.typed(set_up)
    configs = [(home.boxes / box / "syncd.toml").read_text() for box in BOXES]
    assert not any(re.search(r"(?m)^address", text) for text in configs), "multicast must do"
    assert "is marked now" in home.typed(mark)
    home.typed(up)
    wait_for(lambda: home.typed(check), "the boxes trust and find each other")
    for box in BOXES:
        wait_for(lambda box=box: home.state(box)["Health"]["Status"] == "healthy", box)
        assert home.state(box)["host"]["ReadonlyRootfs"] is True

    media = offload(home.home / "media" / "landing")

    wait_for(lambda: "  ready  " in home.typed(rolls), "the roll is ready")
    told = follow.replace("syncd follow", "timeout 3 syncd follow --after 0")
    with pytest.raises(ToolError, match=rf"exit 124\n(?s:.*){ROLL}  ready"):
        home.typed(told)
    assert "fetched and verified" in home.typed(fetch)
    for place in ("mnt/array/rolls", "rushes"):
        arrived = {name: (home.home / place / ROLL / name).read_bytes() for name in media}
        assert arrived == media
    _pairs(home, show, enter)
    _ends_and_goes_on(home)


def _pairs(home: Set, show: str, enter: str) -> None:
    """Take two boxes' pins of each other out, and pair the two by a code instead."""
    assert "pinned" in home.typed("docker exec process-1 syncd peers")
    for box, other in (("process-1", "offload-1"), ("offload-1", "process-1")):
        config = home.boxes / box / "syncd.toml"
        pin = rf'\[\[peer\]\]\nname = "{other}"\nfingerprint = "[^"]+"\n'
        text, count = re.subn(pin, "", config.read_text())
        assert count == 1
        config.write_text(text)
    home.typed("docker-compose restart")
    for box in BOXES:
        wait_for(lambda box=box: home.state(box)["Health"]["Status"] == "healthy", box)
    shown = home.home / "shown"
    shown.touch()
    # ";" so that the background has none of the line's own output, which is read to its end.
    home.typed(f"true; ({show.replace('-it ', '')}) >{shown} 2>&1 </dev/null &")
    codes: list[str] = []

    def is_shown() -> bool:
        codes.extend(re.findall(r"(?m)^\d{3} \d{3}$", shown.read_text()))
        return bool(codes)

    wait_for(is_shown, "a code is shown")
    assert "482 913" in enter
    typed = enter.replace("-it ", "").replace("482 913", codes[0])
    wait_for(lambda: "Paired with process-1" in home.typed(typed), "the code is typed")
    wait_for(lambda: "Paired with offload-1" in shown.read_text(), "the other one says so, too")
    trusted = home.syncd("process-1", "peers")["peers"]
    pinned = {peer["name"]: peer["pinned"] for peer in trusted}
    assert pinned == {"offload-1": False, "edit-1": True}
    wait_for(lambda: home.typed("docker exec offload-1 syncd check"), "all is in place")


def _ends_and_goes_on(home: Set) -> None:
    """Stop, start and take down the set; what it knew is known afterwards."""
    started_s = time.monotonic()
    home.typed("docker-compose stop")
    assert time.monotonic() - started_s < STOP_S
    assert [home.state(box)["ExitCode"] for box in BOXES] == [0, 0, 0]
    home.typed("docker-compose down")
    home.typed("docker-compose up -d")
    wait_for(lambda: home.syncd("offload-1", "rolls")["rolls"][0]["stage"] == "fetched", "memory")
    home.typed("docker-compose down --volumes")


def test_a_set_up_keeps_what_was_chosen_and_says_what_no_longer_fits(home: Set) -> None:
    """A configuration is its owner's: nothing is overwritten; a box whose keys are new is named."""
    home.typed("docker/set-up ~/boxes --landing /media/landing")
    config = home.boxes / "process-1" / "syncd.toml"
    owner = IMAGE_USER if os.getuid() == 0 else os.getuid()
    assert {path.stat().st_uid for path in home.boxes.rglob("*")} == {owner}
    config.write_text(config.read_text() + "# ours\n")
    before = (home.boxes / ".env").read_text()

    assert f"{config} is kept as it is." in home.typed("docker/set-up ~/boxes")

    assert (home.boxes / ".env").read_text() == before
    assert config.read_text().endswith("# ours\n")
    home.typed("docker-compose down --volumes")
    with pytest.raises(ToolError, match="does not know process-1 as it is now, sha256:"):
        home.typed("docker/set-up ~/boxes")
    assert config.read_text().endswith("# ours\n")


def test_a_folder_that_is_not_there_is_not_made(home: Set) -> None:
    """A name mistyped, or a disk not mounted, must not become an empty folder."""
    shutil.rmtree(home.home / "mnt")

    with pytest.raises(ToolError, match="is not a folder that is there"):
        home.typed("docker/set-up ~/boxes --storage /mnt/array/rolls")

    assert not (home.home / "mnt").exists()
