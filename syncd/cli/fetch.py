"""`syncd fetch`: bring a ready roll here, and wait until it is verified."""

import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

import click
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from syncd.cli import show
from syncd.cli.client import ANSWER_S, BoardClient
from syncd.cli.common import (
    client_for,
    config_option,
    examples,
    json_option,
    print_json,
    roll_argument,
)
from syncd.errors import DaemonUnreachableError, NotPossibleError
from syncd.limits import INVENTORY_SAID_S_MAX

POLL_S = 0.5
AWAY_S_MAX = 300.0  # a service manager starts the daemon again well within this
_LINE_EVERY_S = 5.0


@click.command(
    "fetch", epilog=examples("syncd fetch 2026-03-14_D12/A012 --to /Volumes/Edit/Rushes")
)
@roll_argument()
@click.option(
    "--to",
    required=True,
    metavar="FOLDER",
    type=click.Path(path_type=Path),
    help="Where DAY/ROLL is to appear.",
)
@click.option("--no-wait", is_flag=True, help="Do not wait until it is here.")
@config_option
@json_option
def fetch_command(
    roll: str, to: Path, no_wait: bool, config_path: Path | None, as_json: bool
) -> None:
    """Fetch a ready roll of a peer into a folder, verified, in one step at the end.

    The daemon fetches: it goes on after an interruption, and when this command is ended. If the
    daemon itself stops, this waits for it for five minutes.
    Exit code 1 if the roll is held, 69 if the daemon stays away.
    """
    client = client_for(config_path)
    body = {"roll": roll, "to": str(to.absolute())}
    with _telling_to_wait():
        fetch = client.post("/api/fetches", body, answer_s=INVENTORY_SAID_S_MAX + ANSWER_S)
    if not no_wait:
        try:
            fetch = _wait(client, fetch)
        except KeyboardInterrupt:
            click.echo("The daemon goes on fetching; to see: syncd rolls", err=True)
            raise
    if as_json:
        print_json(fetch)
    else:
        _say(fetch, client.get("/api/rolls")["rolls"] if fetch["held"] else [])
    sys.exit(1 if fetch["held"] else 0)


@contextmanager
def _telling_to_wait() -> Iterator[None]:
    """Say on stderr what takes so long, again and again: a roll of very many files does."""
    ended = threading.Event()
    began_s = time.monotonic()

    def tell() -> None:
        while not ended.wait(_LINE_EVERY_S):
            waited_s = time.monotonic() - began_s
            click.echo(f"Asking what is in the roll, for {waited_s:.0f} s by now.", err=True)

    teller = threading.Thread(target=tell, name="fetch-asking", daemon=True)
    teller.start()
    try:
        yield
    finally:
        ended.set()
        teller.join()


def _wait(client: BoardClient, fetch: dict[str, Any]) -> dict[str, Any]:
    """Return the fetch once it is fetched or held, showing how far it is.

    Raises DaemonUnreachableError if the daemon stays away, NotPossibleError if it is back without
    its journal.
    """
    with _progress(show.roll_name(fetch)) as progress:
        while fetch["stage"] != "fetched" and not fetch["held"]:
            progress.update(fetch)
            time.sleep(POLL_S)
            every = _ask_again(client, "/api/fetches", fetch, progress)["fetches"]
            found = next((each for each in every if each["id"] == fetch["id"]), None)
            if found is None:
                raise NotPossibleError(
                    f"The daemon knows nothing any more of the fetch of {show.roll_name(fetch)}.",
                    remedy="Run the same command again: a roll that is here is not fetched twice.",
                )
            fetch = found
        progress.update(fetch)
    return fetch


def _ask_again(
    client: BoardClient, path: str, fetch: dict[str, Any], progress: "_Shown"
) -> dict[str, Any]:
    """Return what the daemon says, waiting for it while it is away: what it fetches, it keeps."""
    away_since_s: float | None = None
    while True:
        try:
            answer: dict[str, Any] = client.get(path)
        except DaemonUnreachableError as error:
            now_s = time.monotonic()
            if away_since_s is None:
                away_since_s = now_s
                progress.say(
                    f"{error.problem} It keeps the fetch, and goes on when it runs again; waiting "
                    f"for up to {AWAY_S_MAX / 60:.0f} minutes."
                )
            if now_s - away_since_s >= AWAY_S_MAX:
                raise DaemonUnreachableError(
                    f"{error.problem} It was waited for for {AWAY_S_MAX / 60:.0f} minutes.",
                    remedy=f"The fetch of {show.roll_name(fetch)} is kept: start the daemon, with "
                    "`syncd run` or as a service, and it goes on by itself. To wait for its end, "
                    "run the same command again.",
                ) from error
            time.sleep(POLL_S)
        else:
            if away_since_s is not None:
                progress.say("The daemon answers again.")
            return answer


def _say(fetch: dict[str, Any], rolls: list[dict[str, Any]]) -> None:
    name, to = show.roll_name(fetch), show.plain(fetch["to"])
    if fetch["held"]:
        held = fetch["held"]
        line = f"{name} held, {held['code']}: {show.plain(held['message'])}"
        click.echo(show.wrapped(line))
        if show.needs_go(fetch):
            click.echo(show.go_hint(fetch, rolls), err=True)
    elif fetch["stage"] == "fetched":
        click.echo(f"{name} fetched and verified: {show.size(fetch['bytes'])} in {to}/{name}")
    else:
        click.echo(f"{name} is being fetched to {to}.")
        click.echo("To see how far: syncd follow", err=True)


class _Shown(Protocol):
    def update(self, fetch: dict[str, Any]) -> None: ...

    def say(self, line: str) -> None: ...


class _Bar:
    """A bar on a terminal."""

    def __init__(self, progress: Progress, name: str) -> None:
        self._progress = progress
        self._task = progress.add_task(name, stage="", moved="")

    def update(self, fetch: dict[str, Any]) -> None:
        moved = f"{show.size(fetch['moved_bytes'])} of {show.size(fetch['bytes'])}"
        self._progress.update(
            self._task,
            total=max(1, fetch["bytes"]),
            completed=fetch["moved_bytes"],
            stage=fetch["stage"],
            moved=moved,
        )

    def say(self, line: str) -> None:
        self._progress.console.print(line)


class _Lines:
    """A line now and then, on stderr, elsewhere."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._last = ("", 0.0)

    def update(self, fetch: dict[str, Any]) -> None:
        now_s = time.monotonic()
        if fetch["stage"] == self._last[0] and now_s < self._last[1] + _LINE_EVERY_S:
            return
        self._last = (fetch["stage"], now_s)
        moved = show.share(fetch["moved_bytes"], fetch["bytes"])
        self.say(f"{self._name}  {fetch['stage']}  {moved}")

    def say(self, line: str) -> None:
        click.echo(line, err=True)


@contextmanager
def _progress(name: str) -> Iterator[_Shown]:
    if not show.on_terminal():
        yield _Lines(name)
        return
    columns = (
        TextColumn("{task.description}", markup=False),
        TextColumn("{task.fields[stage]}"),
        BarColumn(),
        TextColumn("{task.fields[moved]}"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=show.console(), transient=True) as progress:
        yield _Bar(progress, name)
