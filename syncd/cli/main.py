"""The command `syncd`: which commands there are, and what becomes of an error.

Owns: the list of commands, exit codes of failures, --version.
Must not: import a command before it is asked for; a listing must not wait for half of asyncio.
"""

import importlib
import sys

import click

from syncd import __version__
from syncd.cli.common import examples
from syncd.cli.show import plain, problem_lines
from syncd.edges.memory import end_now, is_out_of_memory
from syncd.errors import SyncdError

# Name: module, attribute, and the line in `syncd --help`.
COMMANDS: dict[str, tuple[str, str, str]] = {
    "run": ("run", "run_command", "Run this box's daemon, in the foreground."),
    "demo": ("demo", "demo_command", "Watch three daemons hand rolls over on this machine."),
    "rolls": ("rolls", "rolls_command", "List the rolls, in the order in which they go."),
    "roll": ("rolls", "roll_command", "Show one roll and its history."),
    "rush": ("order", "rush_command", "Let a roll overtake all others."),
    "order": ("order", "order_command", "Give a roll a rank or a time it is needed by."),
    "pause": ("order", "pause_command", "Let a roll, or everything, wait."),
    "go": ("order", "go_command", "Let a roll, or everything, go on."),
    "pair": ("pair", "pair_command", "Let two boxes trust each other, by a code that is typed."),
    "peers": ("peers", "peers_command", "Show this box's fingerprint and its peers."),
    "fetch": ("fetch", "fetch_command", "Fetch a ready roll into a folder, verified."),
    "follow": ("follow", "follow_command", "Show what happens, as it happens."),
    "passphrase": ("passphrase", "passphrase_command", "Set the passphrase of the board."),
    "check": ("check", "check_command", "Check this box's configuration and surroundings."),
    "speed": (
        "speed",
        "speed_command",
        "Measure source, cable and storage, and find the narrowest.",
    ),
    "completion": ("completion", "completion_command", "Print the shell's completion script."),
}


class _Commands(click.Group):
    """Imports a command's module when the command is asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's own form
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        module, attribute, _ = COMMANDS[cmd_name]
        command: click.Command = getattr(importlib.import_module(f"syncd.cli.{module}"), attribute)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, _, line) in COMMANDS.items()])


@click.group(
    epilog=examples(
        "syncd check              is everything in place on this box?",
        "syncd run                start its daemon",
        "syncd rolls              what is where, and when will it have landed?",
    ),
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.version_option(__version__, prog_name="syncd", message="%(prog)s %(version)s")
def syncd() -> None:
    """Hand verified camera rolls to shared storage, and say when they are ready.

    Exit codes: 0 fine; 1 the answer is "no", or something is held or wrong; 2 usage;
    69 the daemon is not reachable; 71 no memory or no thread was left, start again;
    75 the state folder's disk is full or fails, start again later; 78 bad configuration.
    """


def main() -> None:
    """Run the command line and exit with its code."""
    try:
        code = syncd.main(prog_name="syncd", standalone_mode=False)
    except SyncdError as error:
        for line in problem_lines(error):
            click.echo(line, err=True)
        sys.exit(error.exit_code)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        sys.exit(130)
    except BrokenPipeError:
        sys.stderr.close()  # `syncd rolls | head`: nobody reads on, and that is fine
        sys.exit(0)
    except (MemoryError, ImportError, OSError, RuntimeError, SystemError) as error:
        if is_out_of_memory(error):
            end_now()
        if not isinstance(error, OSError):
            raise
        click.echo(f"syncd: {plain(str(error))}", err=True)
        sys.exit(1)
    sys.exit(code if isinstance(code, int) else 0)


if __name__ == "__main__":
    main()
