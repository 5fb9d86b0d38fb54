"""One network interface in a network namespace, and what can be done to it with the system's tools.

Owns: the commands of ip, tc and nft. Must not: know who is behind the interface.
"""

import json
from collections.abc import Callable, Sequence

from tests.shell import run, run_any, works

BURST_BYTES = 512 * 1024
QUEUE_MS = 100
TABLE = "syncd_cut"


class Interface:
    """The one interface of a namespace that is not loopback, whatever it is called just now.

    prefix: gives the words that run a program in the namespace; asked anew each time, because a
    namespace may come anew with its node.
    """

    def __init__(self, prefix: Callable[[], Sequence[str]]) -> None:
        self._prefix = prefix

    def name(self) -> str:
        """Return what it is called now. Raises AssertionError if there is none."""
        lines = self._in("ip", "-o", "link", "show").splitlines()
        names = [line.split(":")[1].strip().split("@")[0] for line in lines]
        names.remove("lo")
        assert names, "the node has no network interface"
        return names[0]

    def down(self) -> None:
        """Take the link away."""
        self._in("ip", "link", "set", self.name(), "down")

    def up(self) -> None:
        """Give the link back."""
        self._in("ip", "link", "set", self.name(), "up")

    def drop_all(self) -> None:
        """Drop every packet both ways, and tell nobody; the link stays up."""
        device = self.name()
        self._in("nft", "add", "table", "netdev", TABLE)
        for way in ("ingress", "egress"):
            hook = f"{{ type filter hook {way} device {device} priority 0; policy drop; }}"
            self._in("nft", "add", "chain", "netdev", TABLE, way, hook)

    def pass_all(self) -> None:
        """Let packets pass again."""
        self._in("nft", "delete", "table", "netdev", TABLE)

    def set_rate(self, bytes_per_s: float) -> None:
        """Let it send no faster than that."""
        words = ("tc", "qdisc", "replace", "dev", self.name(), "root", "tbf")
        rate = f"{round(bytes_per_s * 8)}bit"
        self._in(*words, "rate", rate, "burst", str(BURST_BYTES), "latency", f"{QUEUE_MS}ms")

    def sent_bytes(self) -> int:
        """Return what it ever sent, as the kernel counted."""
        (told,) = json.loads(self._in("ip", "-json", "-stats", "link", "show", self.name()))
        return int(told["stats64"]["tx"]["bytes"])

    def _in(self, *words: str) -> str:
        return run(*self._prefix(), *words)


def missing_tool(prefix: Sequence[str]) -> str:
    """Return what is missing for the cuts and the rate, "" if nothing is."""
    for name, question in (
        ("ip (iproute2)", ("ip", "-V")),
        ("tc (iproute2)", ("tc", "-V")),
        ("nft (nftables)", ("nft", "--version")),
    ):
        if not works(*prefix, *question):
            return f"no {name}: {run_any(*prefix, *question)[2].strip()[-100:]}"
    return ""
