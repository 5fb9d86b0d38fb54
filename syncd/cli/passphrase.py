"""`syncd passphrase`: what people on other machines show the board."""

import sys
from pathlib import Path

import click

from syncd.cli.common import config_option, examples
from syncd.config import load


@click.command("passphrase", epilog=examples("syncd passphrase", "syncd passphrase < FILE"))
@config_option
def passphrase_command(config_path: Path | None) -> None:
    """Set the passphrase that the board asks for on other machines.

    It is asked for twice, or read from the first line of standard input. Only its hash is kept, in
    the state folder.
    """
    # Hashing, and what it needs, for this command alone.
    from syncd.board import passphrase  # noqa: PLC0415
    from syncd.edges.chance import SystemChance  # noqa: PLC0415

    config = load(config_path)
    passphrase.write(config.node.state, _asked(), SystemChance())
    click.echo("The passphrase is set; the daemon asks for it from its next start on.")
    if config.node.board.is_loopback:
        click.echo(f"The board listens on {config.node.board}, where none is needed.", err=True)


def _asked() -> str:
    if sys.stdin.isatty():
        return str(click.prompt("Passphrase", hide_input=True, confirmation_prompt=True, err=True))
    return sys.stdin.readline().rstrip("\r\n")
