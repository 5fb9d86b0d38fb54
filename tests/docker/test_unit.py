"""configs/syncd.service under a real systemd, on two machines set up by the README's own lines.

The machines are containers (machines.py) on a network of their own; everything in them is as on a
box: the package installed, a user without rights, the unit's sandbox, discovery by multicast.

They take some minutes: `python -m pytest -m long tests/docker/test_unit.py`.
"""

import hashlib
import json
import os
import re
import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.docker.machines import Machine, make_image
from tests.docker.test_image import MADE_OF
from tests.docker.tools import BUILD_S, ROOT, ToolError, remove, run

pytestmark = [pytest.mark.long, pytest.mark.timeout(BUILD_S)]

README = (ROOT / "README.md").read_text(encoding="utf-8")
CHAPTER = README.partition("\n## Two real boxes")[2].partition("\n## ")[0]
LINES = [
    line.strip()
    for body in re.findall(r"(?ms)^ *```sh\n(.*?)^ *```$", CHAPTER)
    for line in body.splitlines()
]
OFFLOAD, PROCESS = "offload-1", "process-1"
UNIT, CONFIG = "syncd.service", "/etc/syncd/syncd.toml"
SHOWN = "/tmp/shown"
LANDING, STORAGE, DAY = "/media/landing", "/mnt/array/rolls", "2026-03-14_D12"
HOOK = "/usr/local/bin/make-proxies"
# Where containers reach no package index, docker/build has fetched the wheels.
USE_WHEELS = """
if ls docker/wheels/*.whl >/dev/null 2>&1; then
    printf '[global]\\nno-index = true\\nfind-links = /srv/syncd/docker/wheels\\n' >/etc/pip.conf
fi
"""
WITHIN_S = 60.0
END_S = 7.0  # syncd ends within 5 s; a loaded machine takes a while to say so
EXITED = "1"  # CLD_EXITED: by itself, by no signal
EXPOSED_MAX = 20  # as systemd-analyze of Debian 12 counts, in tenths; 100 is the worst


@dataclass(frozen=True)
class Pair:
    """Both boxes as the README leaves them: their units run. scratch: a folder of the test's."""

    offload: Machine
    process: Machine
    scratch: Path

    def hands_over(self, roll: str) -> None:
        """Put a roll with a checksum list onto the landing; wait until it is ready, and compare."""
        media = {f"{roll}C00{n}.mov": os.urandom(2_000_000 + n) for n in (1, 2)}
        lines = ""
        for name, content in media.items():
            lines += f"{hashlib.md5(content, usedforsecurity=False).hexdigest()}  {name}\n"
            self._offloads(f"{roll}/{name}", content)
        self._offloads(f"{roll}/{roll}.md5", lines.encode())

        wait_until(lambda: self._stage(roll) == "ready", f"{roll} is ready")

        self.process.typed(f"cd {STORAGE}/{DAY}/{roll} && md5sum --check --quiet {roll}.md5")

    def _offloads(self, path: str, content: bytes) -> None:
        self.offload.bring(f"{LANDING}/{DAY}/{path}", content, scratch=self.scratch)

    def _stage(self, roll: str) -> str:
        said = json.loads(self.process.typed(f"sudo -u syncd syncd rolls --json -c {CONFIG}"))
        return next((str(r["stage"]) for r in said["rolls"] if r["name"] == roll), "none")


def wait_until(is_so: Callable[[], bool], what: str, within_s: float = WITHIN_S) -> None:
    """Ask until it is so; fail, saying what was waited for, when that takes too long."""
    deadline_s = time.monotonic() + within_s
    said = ""
    while True:
        try:
            if is_so():
                return
        except ToolError as error:
            said = str(error)
        assert time.monotonic() < deadline_s, f"{what}: {said}"
        time.sleep(0.5)


@pytest.fixture(scope="module")
def scratch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Give a folder for both machines' sources."""
    return tmp_path_factory.mktemp("unit")


@pytest.fixture(scope="module")
def machines(engine: str, image: str, scratch: Path) -> Iterator[tuple[Machine, Machine]]:  # noqa: ARG001 - it brings the wheels where there is no index
    """Boot two machines with the source in them, and nothing installed yet."""
    make_image()
    name = f"{engine}-unit"
    label = ("--label", f"local.syncd.test={name}")
    run("docker", "network", "create", *label, name)
    pair = (Machine(f"{name}-{OFFLOAD}"), Machine(f"{name}-{PROCESS}"))
    try:
        for machine in pair:
            source = scratch / machine.container
            source.mkdir()
            for part in MADE_OF:
                copy = shutil.copytree if (ROOT / part).is_dir() else shutil.copy
                copy(ROOT / part, source / part)
            machine.boot("--network", name, *label, source=source)
        yield pair
    finally:
        remove(name)


@pytest.fixture(scope="module")
def pair(machines: tuple[Machine, Machine], scratch: Path) -> Pair:
    """Go through the README's chapter, line by line, on both machines."""
    install, user, own, mark, start, show, enter, check = LINES
    pair = Pair(*machines, scratch=scratch)
    for machine in machines:
        machine.typed(USE_WHEELS)
        machine.typed(install, BUILD_S)
        machine.typed(user)
    for machine, name in ((pair.offload, "offload.toml"), (pair.process, "processing.toml")):
        text = (ROOT / "configs" / name).read_text(encoding="utf-8")
        text = text.replace('keep_free = "200 GB"', 'keep_free = "1 GB"')
        machine.bring(CONFIG, text.encode(), scratch=scratch)
    hook = (ROOT / "configs" / "hooks" / "ready-example.sh").read_bytes()
    pair.process.bring(HOOK, hook, scratch=scratch)
    pair.process.typed(f"chmod 755 {HOOK}")
    pair.offload.typed(f"mkdir --parents {LANDING}")
    pair.process.typed(f"mkdir --parents {STORAGE}")
    pair.process.typed(own)
    assert "is marked now" in pair.process.typed(mark)
    for machine in machines:
        machine.typed(start)
    _pair(pair, show, enter)
    for machine in machines:
        _passes(machine, check)
    return pair


def _passes(machine: Machine, check: str) -> None:
    """Wait until the check says that all is in place."""
    wait_until(lambda: "ok" in machine.typed(check), "all is in place")


def _pair(pair: Pair, show: str, enter: str) -> None:
    """Show a code on the one box, and type it on the other."""
    pair.process.typed(f"({show}\n) >{SHOWN} 2>&1 </dev/null &")
    found: list[str] = []

    def is_shown() -> bool:
        found.extend(re.findall(r"(?m)^\d{3} \d{3}$", pair.process.typed(f"cat {SHOWN}")))
        return bool(found)

    wait_until(is_shown, "a code is shown")
    assert "482 913" in enter
    typed = enter.replace("482 913", found[0])
    wait_until(lambda: PROCESS in pair.offload.typed(typed), "they are paired")
    wait_until(lambda: OFFLOAD in pair.process.typed(f"cat {SHOWN}"), "it says so, too")


def test_two_boxes_that_the_readme_set_up_hand_a_roll_over(pair: Pair) -> None:
    """Under their units they start, find each other, and do all that the work needs."""
    pair.hands_over("A012")

    for machine in (pair.offload, pair.process):
        state, enabled, status = machine.told(UNIT, "ActiveState", "UnitFileState", "StatusText")
        assert (state, enabled) == ("active", "enabled")
        assert re.search(r"\brolls? under way", status), status


def test_the_command_of_a_notice_runs_under_the_unit(pair: Pair) -> None:
    """The hook that is shipped keeps its list at a place where the unit lets it write."""
    pair.hands_over("A013")

    listed = f"grep -q '{DAY}/A013 {STORAGE}/{DAY}/A013' /var/lib/syncd/syncd-ready.txt"
    wait_until(lambda: pair.process.typed(f"{listed} && echo yes") == "yes\n", "it is listed")


def test_the_unit_is_sound_and_no_more_exposed_than_it_was(pair: Pair) -> None:
    """What an older systemd does not know are the growing delays, as the unit itself says."""
    verified = pair.process.typed(f"systemd-analyze verify {UNIT} 2>&1")
    unknown = set(re.findall(r"Unknown key '(\w+)'", verified))
    assert unknown <= {"RestartSteps", "RestartMaxDelaySec"}
    assert len(unknown) == len(verified.splitlines())

    pair.process.typed(f"systemd-analyze security --threshold={EXPOSED_MAX} {UNIT}")

    status = pair.process.typed(f"cat /proc/{_main(pair.process)}/status")
    fields = dict(line.split(":\t", 1) for line in status.splitlines() if ":\t" in line)
    assert int(fields["CapBnd"], 16) == 0
    assert fields["NoNewPrivs"] == "1"
    assert fields["Seccomp"] == "2", "the filter of system calls is in force"
    assert fields["Uid"].split() == [pair.process.typed("id --user syncd").strip()] * 4


def test_a_daemon_that_is_killed_is_started_again(pair: Pair) -> None:
    """Nobody has to be there; the next roll is handed over as if nothing had been."""
    killed = _main(pair.process)

    pair.process.typed(f"kill -KILL {killed}")

    wait_until(lambda: _runs_again(pair.process, killed), "it is started again")
    pair.hands_over("A014")


def test_a_daemon_that_stands_still_is_ended_and_started_again(pair: Pair) -> None:
    """The watchdog of the unit, here with 6 s for its minute."""
    folder = f"/run/systemd/system/{UNIT}.d"
    short = (
        f"mkdir --parents {folder} && printf '[Service]\\nWatchdogSec=6\\n' >{folder}/short.conf"
    )
    pair.process.typed(f"{short} && systemctl daemon-reload && systemctl restart {UNIT}")
    stopped = _main(pair.process)

    pair.process.typed(f"kill -STOP {stopped}")

    wait_until(lambda: _runs_again(pair.process, stopped), "it is started again")
    assert "Watchdog timeout" in pair.process.typed(f"journalctl --unit {UNIT} --no-pager")
    pair.process.typed(f"rm --recursive {folder} && systemctl daemon-reload")
    pair.process.typed(f"systemctl restart {UNIT}")


def test_a_daemon_that_is_stopped_ends_cleanly_and_stays_down(pair: Pair) -> None:
    """Within its time, with exit code 0, not forced."""
    started_s = time.monotonic()

    pair.process.typed(f"systemctl stop {UNIT}")

    assert time.monotonic() - started_s < END_S
    names = ("ActiveState", "Result", "ExecMainCode", "ExecMainStatus")
    assert pair.process.told(UNIT, *names) == ["inactive", "success", EXITED, "0"]
    pair.process.typed(f"systemctl start {UNIT}")


def test_a_configuration_that_cannot_be_used_is_not_tried_again(pair: Pair) -> None:
    """The unit fails at once, the journal says what is wrong, and a start after the cure works."""
    right = pair.process.typed(f"cat {CONFIG}")
    pair.process.bring(CONFIG, b"nonsense = true\n" + right.encode(), scratch=pair.scratch)

    with pytest.raises(ToolError):
        pair.process.typed(f"systemctl restart {UNIT}")

    names = ("ActiveState", "ExecMainStatus", "NRestarts")
    assert pair.process.told(UNIT, *names) == ["failed", "78", "0"]
    assert "nonsense" in pair.process.typed(f"journalctl --unit {UNIT} --no-pager --lines 20")
    pair.process.bring(CONFIG, right.encode(), scratch=pair.scratch)
    pair.process.typed(f"systemctl start {UNIT}")


def test_after_a_reboot_the_work_goes_on(pair: Pair) -> None:
    """The unit is enabled: both boxes come up by themselves, and know each other."""
    for machine in (pair.offload, pair.process):
        machine.reboot()

    pair.hands_over("A015")


def _main(machine: Machine) -> str:
    return machine.told(UNIT, "MainPID")[0]


def _runs_again(machine: Machine, before: str) -> bool:
    state, pid = machine.told(UNIT, "ActiveState", "MainPID")
    return state == "active" and pid not in (before, "0")
