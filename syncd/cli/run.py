"""`syncd run`: this box's daemon, in the foreground; a service manager or a person ends it."""

import asyncio
import sys
from pathlib import Path

import click

from syncd.cli import service
from syncd.cli.common import config_option, examples
from syncd.cli.show import problem_lines
from syncd.config import load
from syncd.config.shapes import Config
from syncd.edges.memory import (
    end_if_out_of_memory,
    end_when_out_of_memory,
    give_back_early,
    watch_tasks,
)
from syncd.errors import StateDiskError, SyncdError, first_of


@click.command("run", epilog=examples("syncd run", "syncd run -c /etc/syncd/offload.toml"))
@config_option
@click.option("-v", "--verbose", is_flag=True, help="Log more, on stderr.")
def run_command(config_path: Path | None, verbose: bool) -> None:
    """Run this box's daemon, in the foreground.

    SIGTERM or Ctrl-C ends it cleanly within 5 s; a second one at once, which loses nothing.
    """
    give_back_early()
    end_when_out_of_memory()
    config = load(config_path)
    service.log_to_stderr(verbose=verbose)
    service.raise_open_files()
    service.pace_interpreter()
    try:
        _run_to_its_end(config)
    except StateDiskError as full:
        service.notify(f"STATUS={full.problem}")
        raise
    except ExceptionGroup as group:
        error = first_known(group)
        if error is None:
            raise
        for line in problem_lines(error):
            click.echo(line, err=True)
        sys.exit(error.exit_code)


def _run_to_its_end(config: Config) -> None:
    try:
        asyncio.run(_run(config))
    except BaseException as error:
        end_if_out_of_memory(error)
        raise


async def _run(config: Config) -> None:
    from syncd.journal.failures import JournalBrokenError  # noqa: PLC0415 - likewise
    from syncd.node import run_node  # noqa: PLC0415 - all of the daemon, for `run` alone

    watch_tasks(asyncio.get_running_loop())
    stop = asyncio.Event()
    service.end_on_signals(stop)

    def ready(line: str) -> None:
        click.echo(f"syncd {config.node.name} is ready: {line}", err=True)
        service.notify(f"READY=1\nSTATUS={line}")

    def alive(line: str) -> None:
        service.notify(f"WATCHDOG=1\nSTATUS={line}")

    every_s = service.say_alive_every_s()
    while not stop.is_set():
        try:
            await run_node(config, ready=ready, stop=stop, alive=alive, alive_every_s=every_s)
        except* JournalBrokenError as group:
            # All parts have ended; the next start keeps the damaged file aside and rebuilds.
            error = first_of(group)
            assert isinstance(error, SyncdError), "that is what was caught"
            for line in problem_lines(error):
                click.echo(line, err=True)


def first_known(group: BaseExceptionGroup[BaseException]) -> SyncdError | None:
    """Return the first failure in group that a person can act on, if it holds nothing else."""
    known: SyncdError | None = None
    for error in group.exceptions:
        found = first_known(error) if isinstance(error, BaseExceptionGroup) else error
        if not isinstance(found, SyncdError):
            return None
        known = known or found
    return known
