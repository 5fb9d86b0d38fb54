"""`syncd peers`: this box's fingerprint, and whom it knows."""

import time
from pathlib import Path
from typing import Any

import click

from syncd.cli import show
from syncd.cli.common import client_of, config_option, examples, json_option, print_json
from syncd.config import load
from syncd.config.shapes import Config
from syncd.errors import DaemonUnreachableError


@click.command("peers", epilog=examples("syncd peers"))
@config_option
@json_option
def peers_command(config_path: Path | None, as_json: bool) -> None:
    """Show this box's fingerprint, and its peers.

    Without a daemon it answers from the state folder, and makes this box's keys on first use.
    """
    config = load(config_path)
    is_running = True
    try:
        answer = client_of(config).get("/api/peers")
    except DaemonUnreachableError:
        answer = peers_at_rest(config)
        is_running = False
    if as_json:
        print_json(answer)
        return
    _print(answer)
    if not is_running:
        click.echo("The daemon does not run, so nobody was heard: syncd run", err=True)


def peers_at_rest(config: Config) -> dict[str, Any]:
    """Return what is known without a daemon. Raises ConfigError if the keys cannot be used."""
    # TLS is a second of imports that a running daemon spares its callers.
    from syncd.wire.identity import Identity  # noqa: PLC0415

    now_utc_ms = time.time_ns() // 1_000_000
    own = Identity.load_or_make(config.node.state, config.node.name, now_utc_ms)
    return {
        "own": {
            "name": own.name,
            "fingerprint": own.fingerprint,
            "addresses": [str(config.node.control)],
        },
        "peers": [
            {
                "name": peer.name,
                "fingerprint": peer.fingerprint,
                "roles": [],
                "trusted": True,
                "present": False,
                "address": None if peer.address is None else str(peer.address),
                "last_heard_at": None,
                "problem": "",
                "remedy": "",
            }
            for peer in config.peers
        ],
    }


def _print(answer: dict[str, Any]) -> None:
    own = answer["own"]
    click.echo(f"{show.plain(own['name'])}  {own['fingerprint']}  {' '.join(own['addresses'])}")
    click.echo("")
    if not answer["peers"]:
        click.echo("No peers. Pin one in the configuration: [[peer]] name, fingerprint.")
        return
    columns = ("peer", "roles", "trusted", "present", "address", "heard", "fingerprint")
    show.table(columns, [_line(peer) for peer in answer["peers"]])
    for peer in answer["peers"]:
        if peer["problem"]:
            click.echo(show.wrapped(f"{show.plain(peer['problem'])} {show.plain(peer['remedy'])}"))


def _line(peer: dict[str, Any]) -> tuple[str, ...]:
    return (
        peer["name"],
        ",".join(peer["roles"]),
        "trusted" if peer["trusted"] else "stranger",
        "present" if peer["present"] else "away",
        peer["address"] or "",
        show.moment(peer["last_heard_at"]),
        peer["fingerprint"],
    )
