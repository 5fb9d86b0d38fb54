"""`syncd peers`: this box's fingerprint, and whom it trusts; `peers forget`: whom no longer."""

import time
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from syncd.cli import show
from syncd.cli.common import client_of, config_option, examples, json_option, print_json
from syncd.config import load
from syncd.config.shapes import Config
from syncd.errors import DaemonBusyError, DaemonUnreachableError, StateDiskError
from syncd.moments import rfc3339


@click.group(
    "peers",
    epilog=examples("syncd peers", "syncd peers forget edit-1"),
    invoke_without_command=True,
)
@config_option
@json_option
@click.pass_context
def peers_command(context: click.Context, config_path: Path | None, as_json: bool) -> None:
    """Show this box's fingerprint, and its peers.

    Without a daemon it answers from the state folder, and makes this box's keys on first use.
    """
    if context.invoked_subcommand is not None:
        context.obj = (config_path, as_json)
        return
    config = load(config_path)
    is_running = True
    try:
        answer = client_of(config).get("/api/peers")
    except DaemonBusyError:
        raise
    except DaemonUnreachableError:
        answer = peers_at_rest(config)
        is_running = False
    if as_json:
        print_json(answer)
        return
    _print(answer)
    if not is_running:
        click.echo("The daemon does not run, so nobody was heard: syncd run", err=True)


@peers_command.command("forget", epilog=examples("syncd peers forget edit-1"))
@click.argument("peer", metavar="NAME")
@config_option
@json_option
@click.pass_obj
def forget_command(
    above: tuple[Path | None, bool], peer: str, config_path: Path | None, as_json: bool
) -> None:
    """Trust a paired box no longer, and cut what it has open here.

    NAME is its name, its fingerprint or the start of that. It works without a daemon, too.
    """
    config = load(config_path or above[0])
    try:
        answer = client_of(config).post("/api/peers/forget", {"peer": peer})
    except DaemonBusyError:
        raise
    except DaemonUnreachableError:
        answer = {"forgotten": forget_at_rest(config, peer)}
    if as_json or above[1]:
        print_json(answer)
        return
    gone = answer["forgotten"]
    click.echo(f"{show.plain(gone['name'])} is not trusted any more: {gone['fingerprint']}")


def forget_at_rest(config: Config, text: str) -> dict[str, Any]:
    """Forget a peer while no daemon runs. Raises ConfigError if one does and is silent."""
    from syncd.edges.state_lock import StateLock  # noqa: PLC0415 - spared where a daemon answers
    from syncd.trusting import find, pinned  # noqa: PLC0415
    from syncd.wire.trust_store import TrustStore  # noqa: PLC0415

    try:
        with StateLock(config.node.state):
            store = TrustStore.load(config.node.state, time.time_ns() // 1_000_000)
            peer = find(text, pinned(config), store.peers)
            store.remove(peer.fingerprint)
    except StateDiskError as error:
        raise StateDiskError(
            f"Nothing was changed, {text} may be trusted as before: {error.problem}",
            remedy="Make room on its disk, see that the disk is well, and forget it again.",
        ) from error
    return {"name": peer.name, "fingerprint": peer.fingerprint}


def peers_at_rest(config: Config) -> dict[str, Any]:
    """Return what is known without a daemon. Raises ConfigError if the keys cannot be used."""
    # TLS is a second of imports that a running daemon spares its callers.
    from syncd.trusting import all_trusted  # noqa: PLC0415
    from syncd.wire.identity import Identity  # noqa: PLC0415
    from syncd.wire.peers import PeerBook  # noqa: PLC0415
    from syncd.wire.trust_store import read  # noqa: PLC0415

    now_utc_ms = time.time_ns() // 1_000_000
    own = Identity.load_or_make(config.node.state, config.node.name, now_utc_ms)
    book = PeerBook(own.fingerprint, all_trusted(config, read(config.node.state)))
    return {
        "own": {
            "name": own.name,
            "fingerprint": own.fingerprint,
            "addresses": [str(config.node.control)],
            "certificate_ends_at": rfc3339(own.ends_utc_ms),
        },
        "peers": [row | {"problem": "", "remedy": ""} for row in book.listing(now_utc_ms)],
    }


def _print(answer: dict[str, Any]) -> None:
    from syncd.wire.ending import is_worth_showing  # noqa: PLC0415 - spared until it is printed

    own = answer["own"]
    click.echo(f"{show.plain(own['name'])}  {own['fingerprint']}  {' '.join(own['addresses'])}")
    click.echo("")
    if not answer["peers"]:
        click.echo("No peers. Run `syncd pair` on one box, and type its code on the other.")
    else:
        columns = ("peer", "roles", "trusted", "present", "address", "heard", "fingerprint")
        show.table(columns, [_line(peer) for peer in answer["peers"]])
    for box in (own, *answer["peers"]):
        ends = box.get("certificate_ends_at")
        if ends is not None and is_worth_showing(_utc_ms(ends), time.time_ns() // 1_000_000):
            click.echo(f"The certificate of {show.plain(box['name'])} ends on {ends[:10]}.")
    for peer in answer["peers"]:
        if peer["problem"]:
            click.echo(show.wrapped(f"{show.plain(peer['problem'])} {show.plain(peer['remedy'])}"))


def _line(peer: dict[str, Any]) -> tuple[str, ...]:
    return (
        peer["name"],
        ",".join(peer["roles"]),
        _trust_word(peer),
        "present" if peer["present"] else "away",
        peer["address"] or "",
        show.moment(peer["last_heard_at"]),
        peer["fingerprint"],
    )


def _utc_ms(moment: str) -> int:
    return round(datetime.fromisoformat(moment).timestamp() * 1000)


def _trust_word(peer: dict[str, Any]) -> str:
    if not peer["trusted"]:
        return "stranger"
    return "pinned" if peer.get("pinned") else "paired"
