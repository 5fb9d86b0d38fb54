"""`syncd rush`, `order`, `pause` and `go`: a person decides what goes first."""

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import click

from syncd.cli import show
from syncd.cli.client import roll_path
from syncd.cli.common import (
    client_for,
    config_option,
    examples,
    json_option,
    print_json,
    roll_argument,
)
from syncd.counted import counted

_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)", re.ASCII)


@click.command("rush", epilog=examples("syncd rush A012"))
@roll_argument()
@config_option
@json_option
def rush_command(roll: str, config_path: Path | None, as_json: bool) -> None:
    """Let a roll overtake all others, within one parcel."""
    answer = client_for(config_path).post(roll_path(roll, "rank"), {"rush": True})
    _say(answer, f"{show.roll_name(answer)} goes first now.", as_json)


@click.command(
    "order",
    epilog=examples(
        "syncd order A012 --rank 10", "syncd order 2026-03-14_D12/B007 --needed-by 19:00"
    ),
)
@roll_argument()
@click.option("--rank", type=click.IntRange(-1_000_000, 1_000_000), help="Small goes first.")
@click.option(
    "--needed-by",
    metavar="TIME",
    help='"19:00" (the next one, local), a date and time, or "none".',
)
@config_option
@json_option
def order_command(
    roll: str, rank: int | None, needed_by: str | None, config_path: Path | None, as_json: bool
) -> None:
    """Give a roll a rank or a time it is needed by.

    Rank comes first, then the time it is needed by, then arrival.
    """
    body: dict[str, Any] = {}
    if rank is not None:
        body["rank"] = rank
    if needed_by is not None:
        body["needed_by"] = read_needed_by(needed_by, now=datetime.now(UTC).astimezone())
    if not body:
        raise click.UsageError("Say which place: --rank N, --needed-by TIME, or both.")
    answer = client_for(config_path).post(roll_path(roll, "rank"), body)
    by = show.moment(answer["needed_by"])
    place = f"rank {answer['rank']}" + (f", needed by {by}" if by else "")
    _say(answer, f"{show.roll_name(answer)} has {place}.", as_json)


@click.command("pause", epilog=examples("syncd pause A012", "syncd pause"))
@roll_argument(required=False)
@config_option
@json_option
def pause_command(roll: str | None, config_path: Path | None, as_json: bool) -> None:
    """Let a roll, or everything, wait; what is under way ends with its parcel."""
    answer = _switch(config_path, roll, "pause")
    name = "Everything" if roll is None else show.roll_name(answer)
    _say(answer, f"{name} waits.", as_json)
    if not as_json:
        again = "syncd go" if roll is None else f"syncd go {name}"
        click.echo(f"To go on: {again}", err=True)


@click.command("go", epilog=examples("syncd go A012", "syncd go"))
@roll_argument(required=False)
@config_option
@json_option
def go_command(roll: str | None, config_path: Path | None, as_json: bool) -> None:
    """Let a roll, or everything, go on.

    A roll that is held is looked at again: it goes on if the cause is gone, else it is held again.
    One that is gone from where it was published is handed over again on the box that offloads it;
    on the box that has the storage, it counts as put away.
    Notices that could not be told are tried again at once.
    """
    answer = _switch(config_path, roll, "go")
    name = "Everything" if roll is None else show.roll_name(answer)
    line = f"{name} goes on."
    if roll is not None and answer["stage"] in show.ARRIVED:
        nothing = "" if answer["notices"] else ": there is nothing to let go on"
        line = f"{name} is {answer['stage']}{nothing}."
    if roll is not None and (answer["waits"] or {}).get("code") == "put-away":
        line = f"{name} was put away; `syncd check` tells of it no more."
    if roll is not None and not answer["listed"]:
        line = f"{name} is off the list. Should its folder be there again, it goes on."
    if roll is not None and answer["held"]:
        line = f"{name} is read again, and goes on if it is good; to see: syncd roll {name}"
    _say(answer, line, as_json)
    if answer["notices"] and not as_json:
        count = counted(answer["notices"], "notice")
        click.echo(f"Tried again at once, as it could not be told before: {count}.")


def read_needed_by(text: str, *, now: datetime) -> str | None:
    """Return a time in RFC 3339, UTC. Raises click.BadParameter if text is none."""
    if text.lower() == "none":
        return None
    clock = _CLOCK.fullmatch(text)
    if clock:
        at = now.replace(hour=int(clock[1]), minute=int(clock[2]), second=0, microsecond=0)
        found = at if at > now else at + timedelta(days=1)
        # Across a change to or from summer time, the local clock is what was meant.
        found = found.replace(tzinfo=None).astimezone()
    else:
        try:
            found = datetime.fromisoformat(text).astimezone()
            found.astimezone(UTC)
        except (ValueError, OverflowError) as error:
            message = 'write "19:00", "2026-03-14 19:00", or "none".'
            raise click.BadParameter(message, param_hint="--needed-by") from error
    return found.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _switch(config_path: Path | None, roll: str | None, word: str) -> Any:
    path = f"/api/{word}" if roll is None else roll_path(roll, word)
    return client_for(config_path).post(path, {})


def _say(answer: Any, line: str, as_json: bool) -> None:
    if as_json:
        print_json(answer)
    else:
        click.echo(line)
