"""The files in configs/ beside the configurations: service units and the hook."""

import configparser
import os
import plistlib
import subprocess
from pathlib import Path

CONFIGS = Path(__file__).parents[2] / "configs"


def test_the_systemd_unit_does_not_restart_on_a_bad_configuration() -> None:
    """Exit 78 stays down; a clean end has more time than syncd takes."""
    unit = configparser.RawConfigParser(strict=False)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(CONFIGS / "syncd.service")
    service = unit["Service"]
    assert service["Type"] == "notify"
    assert service["Restart"] == "on-failure"
    assert service["RestartPreventExitStatus"] == "78"
    assert int(service["TimeoutStopSec"]) > 5
    assert "AF_NETLINK" in service["RestrictAddressFamilies"]
    assert "syncd run -c" in service["ExecStart"]


def test_what_a_notice_runs_has_a_home_that_the_systemd_unit_lets_it_write() -> None:
    """The user may have none, and any other is read-only; the shipped hook keeps its list there."""
    unit = configparser.RawConfigParser(strict=False)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(CONFIGS / "syncd.service")
    service = unit["Service"]
    assert service["ProtectSystem"] == "strict"
    assert service.get("Environment") == f"HOME=%S/{service['StateDirectory']}"


def test_the_launchd_job_stays_in_the_foreground() -> None:
    """It is a property list that launchd can read, and names the command."""
    job = plistlib.loads((CONFIGS / "local.syncd.plist").read_bytes())
    assert job["ProgramArguments"][1:3] == ["run", "-c"]
    assert job["KeepAlive"] == {"SuccessfulExit": False}
    assert job["ExitTimeOut"] > 5


def test_the_hook_is_harmless_to_repeat(tmp_path: Path) -> None:
    """The same notice twice is one line; another one is another."""
    hook = CONFIGS / "hooks" / "ready-example.sh"
    listed = tmp_path / "ready.txt"

    def run(notice: str) -> None:
        values = {"SYNCD_NAME": "A012", "SYNCD_DAY": "2026-03-14_D12", "SYNCD_NOTICE_ID": notice}
        own = {"PATH": os.environ["PATH"], "SYNCD_READY_LIST": str(listed)}
        subprocess.run([hook, "/mnt/a b"], check=True, env=own | values, capture_output=True)

    for notice in ("j-1", "j-1", "j-2"):
        run(notice)

    assert listed.read_text().splitlines() == [
        "j-1 2026-03-14_D12/A012 /mnt/a b",
        "j-2 2026-03-14_D12/A012 /mnt/a b",
    ]
