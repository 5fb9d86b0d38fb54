"""What every command shares: -c, --json, the way to the daemon, and the form of a JSON answer."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from syncd.cli.client import BoardClient
from syncd.config import load
from syncd.config.shapes import Config

F = TypeVar("F", bound=Callable[..., Any])

config_option = click.option(
    "-c",
    "--config",
    "config_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Configuration [default: $SYNCD_CONFIG, else the platform's folder].",
)
json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document on stdout, nothing else."
)


def roll_argument(*, required: bool = True) -> Callable[[F], F]:
    """Take ROLL: a name, DAY/ROLL, an id or the start of one."""
    return click.argument("roll", metavar="ROLL" if required else "[ROLL]", required=required)


def examples(*lines: str) -> str:
    """Return the end of a command's help, in the lines as they are given."""
    return "\b\nExamples:\n" + "\n".join(f"  {line}" for line in lines)


def client_for(config_path: Path | None) -> BoardClient:
    """Return the way to the daemon that runs on this configuration. Raises ConfigError."""
    return client_of(load(config_path))


def client_of(config: Config) -> BoardClient:
    """Return the way to the daemon that runs on this configuration."""
    return BoardClient(config.node.board, config.node.state)


def print_json(document: Any) -> None:
    """Print one JSON document; what is not ASCII is escaped, so that any terminal bears it."""
    click.echo(json.dumps(document, indent=2))
