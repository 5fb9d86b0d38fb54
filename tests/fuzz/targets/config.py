"""The configuration."""

from pathlib import Path

from syncd.config.reading import parse
from syncd.errors import ConfigError
from tests.fuzz.said import check_text
from tests.fuzz.target import Target

CONFIGS = Path(__file__).parent.parent.parent.parent / "configs"
SMALL = b"""
[node]
name = "offload-1"
roles = ["offload"]
state = "/var/lib/syncd"
control = "0.0.0.0:8840"
[[peer]]
name = "process-1"
fingerprint = "sha256:%s"
[[landing]]
path = "/media/landing"
settle_s = 20.5
[[destination]]
name = "shared"
peer = "process-1"
[[order]]
match = "A*"
rank = 10
needed_by = 19:00:00
""" % (b"9f" * 32)


def one(data: bytes) -> bool:
    """Try one input."""
    try:
        config = parse(data, "syncd.toml")
    except ConfigError as error:
        check_text(error.problem, length_max=20_000)
        return False
    assert config.node.name
    return True


def seeds() -> list[bytes]:
    """Return valid examples."""

    def bare(text: str) -> bytes:
        lines = (line.partition(" #")[0].rstrip() for line in text.splitlines())
        return "\n".join(line for line in lines if line and line[0] != "#").encode()

    return [SMALL, *(bare(path.read_text("utf-8")) for path in sorted(CONFIGS.glob("*.toml")))]


TARGET = Target(
    "config",
    one,
    seeds,
    tokens=(
        b"[", b"[[", b"]]", b"{", b"}", b"=", b'"""', b"'''", b"\n", b"1979-05-27T07:32:00Z",
        b"nan",
        b"inf", b"0x", b"1e999", b"9" * 40, b"a.a.a.a.a.a.a.a", b"\xff", b"\\u0000", b"\\ud800",
        b"true",
        b"[[storage]]", b"[board]", b"[[notice]]", b"[[[[[[[[[[", b"-1", b"19:00:00", b"whsec_",
        b"[::1]:1",
        b'"*"', b'"\\u202e"',
    ),
)  # fmt: skip
