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
    type=click.Path(path_type=Path, readable=False),  # load() says more about one that is not
    metavar="FILE",
    help="Configuration [default: $SYNCD_CONFIG, else the platform's folder].",
)
json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document on stdout, nothing else."
)


def roll_argument(*, required: bool = True) -> Callable[[F], F]:
    """Take ROLL: a name, DAY/ROLL, an id or the start of one."""
    metavar = "ROLL" if required else "[ROLL]"
    return click.argument("roll", metavar=metavar, required=required, callback=_some_name)


def _some_name(context: click.Context, _: click.Parameter, roll: str | None) -> str | None:
    """Raise BadParameter if ROLL was given and is nothing, as of a variable that is not set."""
    if roll is None or roll.strip():
        return roll
    all_ = f" To mean everything, leave it out: syncd {context.info_name}"
    is_optional = not next(each for each in context.command.params if each.name == "roll").required
    raise click.BadParameter(
        "it is empty. Say a name, DAY/ROLL or an id; syncd rolls has them."
        + (all_ if is_optional else ""),
        context,
    )


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
