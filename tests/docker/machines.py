"""Machines that boot: containers in which a real systemd is the first process.

Owns: the image of such a machine, what a container must be allowed for it, commands run inside it.
Must not: know what is tested there.

A machine has a cgroup tree of its own, of version 2 (systemd of Debian 12 takes either, later ones
only this). Its capabilities are all but SYS_RESOURCE, which not every machine has to give.
"""

import time
from dataclasses import dataclass
from pathlib import Path

from tests.docker.tools import BUILD_S, DOCKER, ToolError, run

TAG = "syncd-systemd:bookworm"
PACKAGES = "systemd,systemd-sysv,dbus,sudo"
# Docker's view of the cgroups is read-only, and of the older version on older machines.
BOOT = (
    "umount --recursive /sys/fs/cgroup && mount --types cgroup2 none /sys/fs/cgroup"
    " && exec /sbin/init"
)
ALLOWED = (
    *("--cap-add", "ALL", "--cap-drop", "SYS_RESOURCE"),
    *("--security-opt", "seccomp=unconfined", "--security-opt", "apparmor=unconfined"),
    *("--cgroupns", "private", "--tmpfs", "/run", "--tmpfs", "/run/lock", "--tmpfs", "/tmp"),
    *("--env", "container=docker", "--stop-signal", "SIGRTMIN+3"),
)
BOOTED_S = 60.0


@dataclass(frozen=True)
class Machine:
    """One machine. container: as the engine calls it; clone: where syncd's source is in it."""

    container: str
    clone: str = "/srv/syncd"

    def boot(self, *words: str, source: Path) -> None:
        """Start it with the words for `docker run`, and wait until systemd has started all.

        source is mounted as the clone, and is written to.
        """
        run(
            *("docker", "run", "--detach", "--name", self.container, *ALLOWED, *words),
            *("--volume", f"{source}:{self.clone}", TAG, "sh", "-c", BOOT),
        )
        self._wait_booted()

    def reboot(self) -> None:
        """End it as a machine is shut down, and start it again."""
        run("docker", "restart", "--time", "30", self.container)
        self._wait_booted()

    def _wait_booted(self) -> None:
        deadline_s = time.monotonic() + BOOTED_S
        while True:
            try:
                self.typed("systemctl is-system-running")
                return
            except ToolError as error:
                if time.monotonic() > deadline_s:
                    logs = run("docker", "logs", self.container)
                    raise ToolError(f"{error}\n{logs}") from error
            time.sleep(0.5)

    def typed(self, line: str, timeout_s: float = 120.0) -> str:
        """Run a line as root in the clone, as typed there; return what it printed."""
        words = ("docker", "exec", "--workdir", self.clone, self.container, "bash", "-c", line)
        return run(*words, timeout_s=timeout_s)

    def told(self, unit: str, *names: str) -> list[str]:
        """Return the values of a unit's properties, in the order of their names."""
        said = self.typed(f"systemctl show {unit} --property {','.join(names)}")
        found = dict(line.split("=", 1) for line in said.splitlines())
        return [found[name] for name in names]

    def bring(self, path: str, content: bytes, *, scratch: Path) -> None:
        """Make or replace a file of root's; scratch is a folder out here to pass it through."""
        passed = scratch / "passed"
        passed.write_bytes(content)
        passed.chmod(0o644)
        self.typed(f"mkdir --parents {Path(path).parent}")
        run("docker", "cp", passed, f"{self.container}:{path}")


def make_image() -> None:
    """Make the image, of Debian's packages, if it is not there."""
    run(DOCKER / "base", TAG, PACKAGES, timeout_s=BUILD_S)
