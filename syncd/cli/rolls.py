"""`syncd rolls` and `syncd roll`: what is where, and how it got there."""

import sys
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
from syncd.said import brief

GONE_NAMED_MAX = 5
# How a roll is called that is not where it was published, by the code of what it waits for.
_ASTRAY = {"gone": "gone", "put-away": "put away"}


@click.command("rolls", epilog=examples("syncd rolls"))
@config_option
@json_option
def rolls_command(config_path: Path | None, as_json: bool) -> None:
    """List the rolls, in the order in which they go.

    Exit code 1 if any is held, or gone from where it was published.
    """
    answer = client_for(config_path).get("/api/rolls")
    if as_json:
        print_json(answer)
    else:
        _print_rolls(answer["rolls"])
    sys.exit(1 if any(_is_wrong(roll) for roll in answer["rolls"]) else 0)


@click.command("roll", epilog=examples("syncd roll A012", "syncd roll 2026-03-14_D12/A012"))
@roll_argument()
@config_option
@json_option
def roll_command(roll: str, config_path: Path | None, as_json: bool) -> None:
    """Show one roll and its history.

    Exit code 1 if it is held, or gone from where it was published.
    """
    client = client_for(config_path)
    answer = client.get(roll_path(roll))
    if as_json:
        print_json(answer)
    else:
        _print_roll(answer)
        if show.needs_go(answer):
            click.echo(show.go_hint(answer, client.get("/api/rolls")["rolls"]), err=True)
    sys.exit(1 if _is_wrong(answer) else 0)


def _print_rolls(rolls: list[dict[str, Any]]) -> None:
    if not rolls:
        click.echo("No rolls yet.")
        click.echo("Is everything in place? syncd check", err=True)
        return
    columns = ("roll", "stage", "size", "files", "moved", "rank", "expected", "needed by")
    droppable = ("files", "rank", "size", "moved", "needed by", "expected")
    show.table(columns, [_line(roll) for roll in rolls], droppable=droppable)
    for roll in rolls:
        if roll["held"]:
            click.echo(_held_line(roll))
    _print_gone(rolls)
    _print_waits(rolls)
    click.echo(show.NOT_A_PERMISSION)
    held = next((roll for roll in rolls if show.needs_go(roll)), None)
    if held:
        click.echo(show.go_hint(held, rolls), err=True)


def _is_wrong(roll: dict[str, Any]) -> bool:
    return bool(roll["held"]) or _code(roll) == "gone"


def _code(roll: dict[str, Any]) -> str:
    return str((roll["waits"] or {}).get("code", ""))


def _stage(roll: dict[str, Any]) -> str:
    """Return a roll's stage, and that it is not where it was published, if so."""
    code = _code(roll)
    return f"{roll['stage']}, {_ASTRAY[code]}" if code in _ASTRAY else str(roll["stage"])


def _line(roll: dict[str, Any]) -> tuple[str, ...]:
    return (
        show.short(show.roll_name(roll)),
        _stage(roll),
        show.size(roll["bytes"]),
        str(roll["files"]),
        show.share(roll["moved_bytes"], roll["bytes"]),
        str(roll["rank"]),
        show.moment(roll["expected_at"]),
        _needed_by(roll),
    )


def _needed_by(roll: dict[str, Any]) -> str:
    """Return the time it is needed by, for as long as it has not arrived."""
    if roll["stage"] in show.ARRIVED:
        return ""
    return show.moment(roll["needed_by"]) + (" late" if roll["late"] else "")


def _held_line(roll: dict[str, Any], *, whole: bool = False) -> str:
    """Say why a roll is held; in a list long paths lose their middle."""
    held = roll["held"]
    path, message = show.plain(held["path"] or ""), show.plain(held["message"])
    if not whole:
        path, message = brief(path, path), brief(message, path)
    file = f" {path}" if path else ""
    return show.wrapped(f"{show.roll_name(roll)} held, {held['code']}{file}: {message}")


def _print_waits(rolls: list[dict[str, Any]]) -> None:
    """Say what rolls wait for that are not held, each cause once."""
    names: dict[str, list[str]] = {}
    for roll in rolls:
        waits = roll.get("waits")
        if waits and waits["code"] not in _ASTRAY:  # else it waits for nothing
            names.setdefault(f"{waits['message']} {waits['remedy']}", []).append(roll["name"])
    for cause, waiting in names.items():
        who = f"{waiting[0]} waits" if len(waiting) == 1 else f"{len(waiting)} rolls wait"
        click.echo(show.wrapped(f"{show.plain(who)}: {show.plain(cause)}"))


def _print_gone(rolls: list[dict[str, Any]], *, also_put_away: bool = False) -> None:
    """Say where rolls may be that are not where they were published, but of many."""
    codes = _ASTRAY if also_put_away else {"gone"}
    gone = [roll for roll in rolls if _code(roll) in codes]
    for roll in gone[:GONE_NAMED_MAX]:
        waits = roll["waits"]
        click.echo(show.wrapped(show.plain(f"{waits['message']} {waits['remedy']}")))
    if len(gone) > GONE_NAMED_MAX:
        more = len(gone) - GONE_NAMED_MAX
        click.echo(f"And {more} more are gone; what to do about each: syncd roll ROLL")


def _source(roll: dict[str, Any]) -> str:
    """Return where it came from: a folder here, or a peer (a landing's peer is where it goes)."""
    return (roll["source_path"] if roll["origin"] == "landing" else roll["peer"]) or ""


def _print_roll(roll: dict[str, Any]) -> None:
    facts = [
        ("roll", show.roll_name(roll)),
        ("id", roll["id"]),
        ("stage", _stage(roll) + (", paused" if roll["paused"] else "")),
        ("size", f"{show.size(roll['bytes'])} in {counted(roll['files'], 'file')}"),
        ("rank", str(roll["rank"])),
        ("expected", show.moment(roll["expected_at"])),
        ("needed by", show.moment(roll["needed_by"]) + (" late" if roll["late"] else "")),
        ("from", _source(roll)),
        ("published", roll["published_path"] or ""),
        ("same as", roll["same_as"] or ""),
    ]
    facts += [
        (f"to {place['name']}", show.share(place["moved_bytes"], place["bytes"]))
        for place in roll["destinations"]
    ]
    width = max(len(name) for name, _ in facts)
    for name, value in facts:
        if value.strip():
            click.echo(f"{name:<{width}}  {show.plain(value)}")
    if roll["held"]:
        click.echo(_held_line(roll, whole=True))
    _print_gone([roll], also_put_away=True)
    _print_waits([roll])
    click.echo("")
    lines = [(show.moment(h["at"]), h["stage"], h["note"]) for h in roll["history"]]
    show.table(("local time", "stage", "note"), lines)
