"""What a configuration is, once read: frozen, complete, every value in its own type and unit.

Owns: the shapes and their defaults. Must not: read a file, know how a value is written.
"""

from dataclasses import dataclass, field
from datetime import time
from enum import StrEnum
from ipaddress import IPv4Network, IPv6Network
from pathlib import Path

from syncd.config.values import HostPort
from syncd.limits import COMMAND_TIMEOUT_S_DEFAULT, LANES_DEFAULT, SETTLE_S_DEFAULT
from syncd.roll.inventory import Trust
from syncd.roll.stages import Stage


class Role(StrEnum):
    """What a node does; any mix."""

    OFFLOAD = "offload"
    PROCESSING = "processing"
    EDITORIAL = "editorial"


class Route(StrEnum):
    """How rolls reach the storage. MOUNT is known, and not available yet."""

    PEER = "peer"
    MOUNT = "mount"


class NoticeKind(StrEnum):
    """How a notice is delivered."""

    COMMAND = "command"
    WEBHOOK = "webhook"
    DROP_FILE = "drop-file"


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeConfig:
    """This node: its name, its roles, where it keeps its state and where it listens.

    interfaces: addresses or names of the interfaces to be discovered on; empty: all that fit.
    board_names: further names and addresses by which other machines call the board.
    """

    name: str
    roles: frozenset[Role]
    state: Path
    control: HostPort
    bulk: HostPort
    board: HostPort
    discover: bool
    interfaces: tuple[str, ...] = ()
    board_names: tuple[str, ...] = ()

    @property
    def own_names(self) -> tuple[str, ...]:
        """By what other machines may call the board, the node's name first."""
        host = self.board.host
        listens = () if host in {"0.0.0.0", "::"} else (host,)  # noqa: S104 - what is left out
        return tuple(dict.fromkeys((self.name, f"{self.name}.local", *listens, *self.board_names)))


@dataclass(frozen=True, slots=True, kw_only=True)
class PeerConfig:
    """A peer pinned by hand. fingerprint: "sha256:" and 64 lower-case hexadecimal digits.

    roles: what it may do here; all three if the config does not say.
    """

    name: str
    fingerprint: str
    address: HostPort | None = None
    roles: frozenset[Role] = frozenset(Role)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClearConfig:
    """A cable on which parcels may travel unencrypted, if the peer's config says the same.

    net: the network of that cable; where a lane would leave it, it is sealed.
    """

    peer: str
    net: IPv4Network | IPv6Network


@dataclass(frozen=True, slots=True, kw_only=True)
class LandingConfig:
    """A folder in which offloaded rolls appear. rolls: a pattern of two parts, DAY/ROLL."""

    path: Path
    rolls: str = "*/*"
    trust: Trust = Trust.EVIDENCE
    settle_s: float = SETTLE_S_DEFAULT


@dataclass(frozen=True, slots=True, kw_only=True)
class DestinationConfig:
    """Where rolls go. path: only for the route MOUNT.

    peer: a box that is pinned or paired, by name; "": the one processing box that is.
    """

    name: str
    route: Route = Route.PEER
    peer: str = ""
    path: Path | None = None
    lanes: int = LANES_DEFAULT


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderConfig:
    """A rule for a roll's place. match, day: patterns of names. needed_by: local time of day."""

    match: str = "*"
    day: str = "*"
    rank: int | None = None
    needed_by: time | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StorageConfig:
    """Where rolls are published, and how much must stay free there."""

    path: Path
    keep_free_bytes: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class NoticeConfig:
    """Who is told when a roll reaches one of the stages in on.

    run: for COMMAND, the program, then its words. folder: for DROP_FILE. The rest is for WEBHOOK:
    secret: one by which it is signed, or secret_file: where they are, one a line; ca_file: whose
    certificates are believed instead of the system's authorities'.
    """

    kind: NoticeKind
    run: tuple[str, ...] = ()
    on: tuple[str, ...] = (Stage.READY.value,)
    timeout_s: float = COMMAND_TIMEOUT_S_DEFAULT
    folder: Path | None = None
    url: str = field(default="", repr=False)
    secret: str = field(default="", repr=False)
    secret_file: Path | None = None
    ca_file: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Config:
    """All of one node's configuration."""

    node: NodeConfig
    peers: tuple[PeerConfig, ...] = ()
    landings: tuple[LandingConfig, ...] = ()
    destinations: tuple[DestinationConfig, ...] = ()
    orders: tuple[OrderConfig, ...] = ()
    storage: StorageConfig | None = None
    notices: tuple[NoticeConfig, ...] = ()
    clears: tuple[ClearConfig, ...] = ()
