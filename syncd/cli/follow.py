"""`syncd follow`: what happens, line by line, as it happens."""

import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import click
from rich.console import Group
from rich.live import Live
from rich.progress_bar import ProgressBar
from rich.table import Table
from rich.text import Text

from syncd.cli import show
from syncd.cli.client import BEGIN, BoardClient, StreamEvent
from syncd.cli.common import client_for, config_option, examples
from syncd.errors import DaemonUnreachableError, SyncdError

RETRY_S = 1.0
GIVE_UP_S = 60.0
_POLL_S = 1.0
_BARS_MAX = 8
_UNDER_WAY = frozenset({"moving", "reading-back"})


@click.command("follow", epilog=examples("syncd follow", "syncd follow --json --after 0"))
@click.option("--after", type=click.IntRange(min=0), metavar="SEQ", help="Begin after this event.")
@config_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON event a line, nothing else.")
def follow_command(after: int | None, config_path: Path | None, as_json: bool) -> None:
    """Show what happens, as it happens, until interrupted.

    If the daemon goes away, follow waits a minute for it and goes on where it was.
    """
    client = client_for(config_path)
    shown = _bars(client) if show.on_terminal() and not as_json else _lines()
    with shown as say:
        for event in _events(client, after):
            if as_json:
                click.echo(json.dumps(event.data))
            else:
                say(_line(event))


def _events(client: BoardClient, after: int | None) -> Iterator[StreamEvent]:
    """Yield events without a gap across restarts of the daemon.

    Raises DaemonUnreachableError if it is not there at first, or stays away for GIVE_UP_S.
    """
    seq = after
    heard_s = None
    while True:
        try:
            for event in client.events(seq):
                # The stream begins with a number, so that nothing is lost before its first event.
                seq, heard_s = event.seq, time.monotonic()
                if event.kind != BEGIN:
                    yield event
            heard_s = time.monotonic()  # the daemon ended the stream: it is shutting down
        except DaemonUnreachableError:
            if heard_s is None or time.monotonic() > heard_s + GIVE_UP_S:
                raise
        time.sleep(RETRY_S)


def _line(event: StreamEvent) -> str:
    if event.kind == "reset":
        return "Some events are no longer kept; see: syncd rolls"
    data = event.data
    name = show.roll_name(data["roll"]) if data["roll"] else "-"
    note = show.plain(data["note"])
    return f"{show.moment(data['at'])}  {name}  {data['type']}" + (f"  {note}" if note else "")


@contextmanager
def _lines() -> Iterator[Callable[[str], None]]:
    yield click.echo


@contextmanager
def _bars(client: BoardClient) -> Iterator[Callable[[str], None]]:
    """Print lines above a live picture of the rolls that are under way."""
    ended = threading.Event()
    with Live(console=show.console(), transient=True, refresh_per_second=4) as live:

        def draw() -> None:
            while not ended.wait(_POLL_S):
                with suppress(SyncdError):  # the stream's own reader says that it is away
                    live.update(_picture(client.get("/api/rolls")["rolls"]))

        drawer = threading.Thread(target=draw, name="follow-bars", daemon=True)
        drawer.start()
        try:
            yield lambda line: live.console.print(Text(line))
        finally:
            ended.set()


def _picture(rolls: list[dict[str, Any]]) -> Group:
    grid = Table.grid(padding=(0, 2))
    under_way = [roll for roll in rolls if roll["stage"] in _UNDER_WAY]
    for roll in under_way[:_BARS_MAX]:
        bar = ProgressBar(total=max(1, roll["bytes"]), completed=roll["moved_bytes"], width=24)
        expected = show.moment(roll["expected_at"])
        grid.add_row(
            Text(show.short(show.roll_name(roll))),
            Text(roll["stage"]),
            bar,
            Text(f"{show.size(roll['moved_bytes'])} of {show.size(roll['bytes'])}"),
            Text((f"by {expected}" if expected else "") + (" late" if roll["late"] else "")),
        )
    return Group(grid)
