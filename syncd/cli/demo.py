"""`syncd demo`: three daemons on this machine hand rolls over, with faults, before your eyes."""

import sys
from pathlib import Path

import click

from syncd.cli.common import examples


@click.command("demo", epilog=examples("syncd demo", "syncd demo --keep --folder /tmp/syncd-demo"))
@click.option("--keep", is_flag=True, help="Leave the daemons running, and say what to try.")
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Work there and leave the files [default: a temporary folder, removed].",
)
def demo_command(keep: bool, folder: Path | None) -> None:
    """Watch three daemons hand rolls over on this machine.

    Takes about half a minute and 1.4 GB of disk. Exit code 0 only if all of it really happened.
    """
    from syncd.demo.play import play  # noqa: PLC0415 - half of the package, for `demo` alone

    sys.exit(play(folder, keep=keep))
