"""`syncd pair`: show a code on this box, or type the one that another box shows."""

import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import click

from syncd.cli import show
from syncd.cli.client import BoardClient
from syncd.cli.common import client_for, config_option, examples, json_option, print_json
from syncd.errors import SyncdError

ASKED_OFTEN = 3  # a broken link may be one or two
ENDS = {
    "expired": "The code has expired.",
    "spent": "A wrong code was typed too often: this one is not good any more.",
    "closed": "Another code was asked for, this command stood still for some seconds, or the "
    "daemon was started anew.",
}


@click.command(
    "pair",
    epilog=examples(
        "syncd pair                            show a code, and wait for the other box",
        "syncd pair 482 913                    type it there",
        "syncd pair 482 913 --with 10.20.0.2   where multicast does not pass",
    ),
)
@click.argument("code", nargs=-1)
@click.option(
    "--with", "with_", metavar="NAME|ADDRESS", help="The box that shows the code, if not found."
)
@config_option
@json_option
def pair_command(
    code: tuple[str, ...], with_: str | None, config_path: Path | None, as_json: bool
) -> None:
    """Let two boxes trust each other: run it on one, and type its code on the other.

    A code is good once, for five minutes and three tries. Both boxes then show the other's name,
    roles and fingerprint. The code ends with this command: by Ctrl-C, or however else.
    """
    client = client_for(config_path)
    if code:
        body = {"code": " ".join(code)} | ({"with": with_} if with_ else {})
        _done(client.post("/api/pairing/join", body)["peer"], as_json=as_json)
        return
    if with_:
        raise click.UsageError("--with goes with the code of the other box: syncd pair CODE --with")
    with ended_by_signals():
        _show(client, as_json=as_json)


def _show(client: BoardClient, *, as_json: bool) -> None:
    """Show a code until it was typed or is good no longer."""
    shown = client.post("/api/pairing", {})
    path = f"/api/pairing/{shown['id']}"
    try:
        _print_code(shown["code"], as_json=as_json)
        told = 0
        while shown["state"] == "open":
            before, shown = shown, client.get(path)
            told = _tell_askers(shown, told)
            if shown["tries_left"] < before["tries_left"] and shown["wrong"]:
                _tell_wrong(shown)
    except BaseException:
        with suppress(SyncdError):
            client.post(f"{path}/close", {})
        raise
    if shown["state"] == "paired":
        _done(shown["peer"], as_json=as_json)
        return
    problem = shown["problem"] or ENDS[shown["state"]]
    if as_json:
        print_json({"peer": None, "problem": problem})
    remedy = shown["remedy"] or "Run `syncd pair` again, for a new code."
    click.echo(f"syncd: {show.plain(problem)} {show.plain(remedy)}", err=True)
    sys.exit(1)


def _print_code(code: str, *, as_json: bool) -> None:
    """Print the code by itself; the one document of --json comes when all is over."""
    click.echo(code, err=as_json)
    click.echo(f"Type it on the other box within five minutes: syncd pair {code}", err=True)


def _tell_wrong(shown: dict[str, Any]) -> None:
    """Say that somebody typed another code; what a box calls itself, anybody may say."""
    wrong, left = shown["wrong"], shown["tries_left"]
    few = {0: "no try is left", 1: "one more try is left"}
    tries = few.get(left, f"{left} more tries are left")
    where = f"at {wrong['address']}, on a box that calls itself {show.plain(wrong['name'])}"
    click.echo(f"A wrong code was typed {where}: {tries}.", err=True)


def _tell_askers(shown: dict[str, Any], told: int) -> int:
    """Say that somebody asks and types nothing, if it is often, and each time it is ten times that.

    told: the count that was said last; the one that now was is returned.
    """
    most = shown.get("askers")
    if not most or most["count"] < max(ASKED_OFTEN, 10 * told):
        return told
    click.echo(
        f"Somebody at {most['address']} asks to pair again and again and types no code "
        f"({most['count']} times so far). If the other box is told to wait, type the code again.",
        err=True,
    )
    return int(most["count"])


def _done(peer: dict[str, Any], *, as_json: bool) -> None:
    if as_json:
        print_json({"peer": peer})
        return
    roles = ", ".join(peer["roles"])
    click.echo(f"Paired with {show.plain(peer['name'])} ({show.plain(roles)})")
    click.echo(f"Its fingerprint: {peer['fingerprint']}")


@contextmanager
def ended_by_signals() -> Iterator[None]:
    """Let a closed terminal and a service manager end the code, too, as Ctrl-C does."""
    numbers = (signal.SIGTERM, signal.SIGHUP)
    before = [signal.signal(number, signal.default_int_handler) for number in numbers]
    try:
        yield
    finally:
        for number, handler in zip(numbers, before, strict=True):
            signal.signal(number, handler)
