"""`syncd completion`: the script that lets a shell complete commands and options."""

import click
from click.shell_completion import get_completion_class

from syncd.cli.common import examples


@click.command(
    "completion",
    epilog=examples(
        'eval "$(syncd completion bash)"                                   in ~/.bashrc',
        'eval "$(syncd completion zsh)"                                    in ~/.zshrc',
        "syncd completion fish > ~/.config/fish/completions/syncd.fish",
    ),
)
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def completion_command(shell: str) -> None:
    """Print the script that completes commands and options in a shell."""
    root = click.get_current_context().find_root().command
    kind = get_completion_class(shell)
    assert kind is not None, "click knows these three"
    # source() itself would start a shell to look at its version.
    completer = kind(root, {}, "syncd", "_SYNCD_COMPLETE")
    click.echo(completer.source_template % completer.source_vars())
