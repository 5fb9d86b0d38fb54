"""The configuration: a TOML file in, one frozen Config out, or every error it has at once."""

from syncd.config.reading import default_path, load, parse
from syncd.config.shapes import (
    Config,
    DestinationConfig,
    LandingConfig,
    NodeConfig,
    NoticeConfig,
    NoticeKind,
    OrderConfig,
    PeerConfig,
    Role,
    Route,
    StorageConfig,
)
from syncd.config.values import HostPort

__all__ = [
    "Config",
    "DestinationConfig",
    "HostPort",
    "LandingConfig",
    "NodeConfig",
    "NoticeConfig",
    "NoticeKind",
    "OrderConfig",
    "PeerConfig",
    "Role",
    "Route",
    "StorageConfig",
    "default_path",
    "load",
    "parse",
]
