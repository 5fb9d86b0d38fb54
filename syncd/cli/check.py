"""`syncd check`: whether everything is in place on this box, and its peers answer."""

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from syncd.board.token import TokenError
from syncd.cli import show
from syncd.cli.common import client_of, config_option, examples, json_option, print_json
from syncd.config import default_path, load
from syncd.config.shapes import Config
from syncd.config.values import HostPort
from syncd.errors import ConfigError, DaemonBusyError, SyncdError

MARK_NEEDS = frozenset({"config", "marker", "space"})


@click.command("check", epilog=examples("syncd check", "syncd check --mark"))
@click.option("--mark", is_flag=True, help="Write the storage's marker, once: this is the place.")
@config_option
@json_option
def check_command(mark: bool, config_path: Path | None, as_json: bool) -> None:
    """Check this box's configuration and surroundings, and that its peers answer.

    Exit code 1 if anything is not as it should be, 78 if the configuration cannot be used.
    With --mark only the storage counts: the rest may not be there yet.
    """
    from syncd.cli.checks import Check  # noqa: PLC0415 - the daemon's parts, for `check` alone

    path = config_path or default_path()
    checks: list[Check] = []
    code = 0
    try:
        config = load(path)
        if mark and config.storage is None:
            raise click.UsageError("--mark is for a box with [storage].")
        checks.append(Check("config", True, f"{path} can be used."))
    except ConfigError as error:
        checks.append(Check("config", False, error.problem, error.remedy))
        code = error.exit_code
    else:
        checks += _checks(config, path, mark=mark)
    is_ok = all(check.ok for check in checks if not mark or check.name in MARK_NEEDS)
    if as_json:
        print_json({"ok": is_ok, "checks": [check.to_json() for check in checks]})
    else:
        _print([check.to_json() for check in checks], may_wait=mark)
    sys.exit(code or (0 if is_ok else 1))


def _checks(config: Config, path: Path, *, mark: bool) -> Iterator[Any]:
    from syncd.cli.checks import Check, box_checks  # noqa: PLC0415 - likewise
    from syncd.cli.peer_checks import peer_checks  # noqa: PLC0415 - likewise

    try:
        listing, status, where = _ask_daemon(config)
    except TokenError as error:
        yield Check("daemon", False, error.problem, error.remedy)
        return
    except DaemonBusyError as error:
        yield from box_checks(config, path, daemon_runs=True, mark=mark)
        yield Check("daemon", False, error.problem, error.remedy)
        return
    yield from box_checks(config, path, daemon_runs=status is not None, mark=mark)
    said = {own["name"] for own in status["checks"]} if status is not None else set()
    # What the daemon says of trust comes before what the file says that it could not write.
    yield from (each for each in peer_checks(config, listing) if each.name not in said & {"trust"})
    if status is None:
        yield Check("daemon", True, "It does not run; start it with `syncd run`.")
        return
    message = f"It has been running for {status['uptime_s']:.0f} s, and answers at {where}."
    yield Check("daemon", True, message)
    for own in status["checks"]:
        yield Check(f"daemon: {own['name']}", own["ok"], own["message"], own["remedy"])


def _ask_daemon(config: Config) -> tuple[Any, Any, HostPort | Path]:
    """Return what the daemon says of its peers and of itself, and where; None, None if not ours.

    Raises TokenError if it may not be asked, DaemonBusyError if it runs and does not answer.
    """
    client = client_of(config)
    try:
        status = client.get("/api/status")
        if status["node"] != config.node.name:
            return None, None, client.where
        return client.get("/api/peers"), status, client.where
    except (TokenError, DaemonBusyError):
        raise
    except (SyncdError, KeyError, TypeError):
        return None, None, client.where


def _print(checks: list[dict[str, Any]], *, may_wait: bool) -> None:
    width = max(len(check["name"]) for check in checks)
    for check in checks:
        wrong = "later" if may_wait and check["name"] not in MARK_NEEDS else "WRONG"
        word = "ok   " if check["ok"] else wrong
        first, *more = [show.plain(line) for line in check["message"].rstrip().splitlines()]
        click.echo(f"{word}  {show.plain(check['name']):<{width}}  {first}")
        indent = " " * (width + 9)
        for line in more:
            click.echo(indent + line.strip())
        if not check["ok"] and check["remedy"]:
            click.echo(indent + show.plain(check["remedy"]))
