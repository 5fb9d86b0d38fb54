"""`syncd speed`: how fast a hand-off can be between these two boxes, and what holds it up."""

import shutil
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

import click

from syncd.cli import show
from syncd.cli.client import BoardClient
from syncd.cli.common import client_for, config_option, examples, json_option, print_json
from syncd.cli.pair import ended_by_signals
from syncd.config.values import size_bytes
from syncd.errors import SyncdError, UsageError
from syncd.limits import SPEED_SECONDS_DEFAULT, SPEED_SECONDS_MAX
from syncd.speed.findings import WORDS, Stage
from syncd.storage.amounts import human

AMOUNT_DEFAULT = "1 TB"
_BAR_MIN, _BAR_MAX = 10, 60
_MARK = "  < narrowest"
_WORDS = {
    "source-read": "source read",
    "hashing": "hashing",
    "cable": "cable",
    "storage-write": "storage write",
    "read-back": "read-back",
}


@click.command(
    "speed",
    epilog=examples(
        "syncd speed             measure, and say how long 1 TB takes",
        "syncd speed 512 GB      or another amount",
    ),
)
@click.argument("amount", nargs=-1)
@click.option(
    "--seconds",
    type=click.FloatRange(0, SPEED_SECONDS_MAX, min_open=True),
    default=SPEED_SECONDS_DEFAULT,
    show_default=True,
    help="How long each part is measured.",
)
@config_option
@json_option
def speed_command(
    amount: tuple[str, ...], seconds: float, config_path: Path | None, as_json: bool
) -> None:
    """Measure source, hashing, cable and storage between this offload box and its storage.

    It takes less than a minute. Media is only read; what is written to the storage meanwhile lies
    beside the rolls and is removed. Rolls come first: while one moves, nothing is measured.
    Exit code 1 if nothing was measured, or something is plugged in or set up wrongly.
    """
    total_bytes = _amount(" ".join(amount) or AMOUNT_DEFAULT)
    client = client_for(config_path)
    with ended_by_signals():
        found = _measure(client, {"seconds": seconds, "bytes": total_bytes})
    if as_json:
        print_json(found)
    else:
        _print(found)
    sys.exit(0 if found["ok"] else 1)


def _amount(text: str) -> int:
    try:
        found = size_bytes(int(text) if text.isascii() and text.isdigit() else text)
    except ValueError as error:
        raise UsageError(
            f"{text!r} is no amount: write {error}.", remedy="For example: syncd speed 512 GB"
        ) from None
    if not found:
        raise UsageError("Nothing takes no time.", remedy="For example: syncd speed 512 GB")
    return found


def _measure(client: BoardClient, asked: dict[str, Any]) -> dict[str, Any]:
    """Return what was found once all is measured, saying what is measured meanwhile."""
    found: dict[str, Any] = client.post("/api/speed", asked)
    path, said = f"/api/speed/{found['id']}", ""
    try:
        while found["state"] == "measuring":
            if found["doing"] != said:
                said = found["doing"]
                click.echo(f"measuring: {show.plain(said)}", err=True)
            found = client.get(path)
    except BaseException:
        with suppress(SyncdError):
            client.post(f"{path}/close", {})
        raise
    return found


def _print(found: dict[str, Any]) -> None:
    click.echo(f"{show.plain(found['from'])} to {show.plain(found['to'])}{_interfaces(found)}")
    if found["stages"]:
        click.echo("")
        _print_bars(found)
    for told in found["warnings"]:
        click.echo(show.wrapped(f"Warning: {show.plain(told['message'] + ' ' + told['remedy'])}"))
    if found["state"] == "done":
        _print_conclusion(found)
    else:
        click.echo(f"syncd: {show.plain(found['problem'])}", err=True)
        click.echo(show.plain(found["remedy"]), err=True)


def _interfaces(found: dict[str, Any]) -> str:
    """Return over what the boxes talk, as far as that is known."""
    ends = [end for end in found["cable"] if end["interface"]]
    if not ends:
        return ""
    end = ends[0]
    rate = f", {_bits(end['mbit'])}, MTU {end['mtu']}" if end["mbit"] else ""
    return f" over {show.plain(end['interface'])}{rate}"


def _print_bars(found: dict[str, Any]) -> None:
    """Draw each part as a bar; hashing, which may be far ahead of all others, is cut off."""
    parts = found["stages"]
    names = [_name(part) for part in parts]
    rates = [_rate(part) for part in parts]
    boxes = [show.plain(part["box"]) for part in parts]
    widths = [max(map(len, column)) for column in (names, boxes, rates)]
    room = shutil.get_terminal_size().columns - sum(widths) - 8 - len(_MARK)
    room = max(_BAR_MIN, min(_BAR_MAX, room))
    scale = _scale(parts)
    for part, *cells in zip(parts, names, boxes, rates, strict=True):
        name, box, rate = (cell.ljust(width) for cell, width in zip(cells, widths, strict=True))
        bar = _bar(part, scale, room).ljust(room)
        is_it = found["narrowest"] is not None and _is_it(part, found["narrowest"])
        mark = _MARK if is_it else ""
        click.echo(f"  {name}  {box}  {bar}  {rate}{mark}".rstrip())
    click.echo("")
    for part in parts:
        if part["note"]:
            click.echo(show.wrapped(f"{_name(part).capitalize()}: {show.plain(part['note'])}."))


def _scale(parts: list[dict[str, Any]]) -> float:
    """Return the rate that fills a bar: the best of what is no hashing."""
    measured = [part for part in parts if part["rate"]]
    slow = [part["rate"] for part in measured if part["stage"] != "hashing"]
    limits = [part["limit"] for part in measured if part["limit"]]
    return max([*slow, *limits], default=max((part["rate"] for part in measured), default=1.0))


def _bar(part: dict[str, Any], scale: float, room: int) -> str:
    """Return one bar; what a cable could carry beyond what it did is dotted."""
    if not part["rate"]:
        return ""
    if part["rate"] > scale:
        return "#" * (room - 1) + ">"
    full: int = max(1, round(room * part["rate"] / scale))
    dots: int = round(room * part["limit"] / scale) - full if part["limit"] else 0
    return "#" * full + "." * dots


def _is_it(part: dict[str, Any], other: dict[str, Any]) -> bool:
    return all(bool(part[key] == other[key]) for key in ("stage", "box", "what"))


def _name(part: dict[str, Any]) -> str:
    name: str = _WORDS[part["stage"]]
    has_kind = part["stage"] in {"hashing", "cable"} and part["what"]
    return f"{name}, {show.plain(part['what'])}" if has_kind else name


def _rate(part: dict[str, Any]) -> str:
    if part["rate"] is None:
        return "not measured"
    most = f" of {part['limit'] / 1e6:,.0f}" if part["limit"] else ""
    return f"{_mb(part['rate'])}{most} MB/s"


def _mb(rate: float) -> str:
    return f"{rate / 1e6:,.0f}" if rate >= 9.95e6 else f"{rate / 1e6:.2g}"


def _print_conclusion(found: dict[str, Any]) -> None:
    narrowest, estimate = found["narrowest"], found["estimate"]
    if narrowest is not None:
        is_all = all(part["rate"] for part in found["stages"])
        which = "The narrowest is" if is_all else "Of what was measured, the narrowest is"
        part = WORDS[Stage(narrowest["stage"])]
        what = f" ({show.plain(narrowest['what'])})" if narrowest["stage"] == "hashing" else ""
        where = f" on {show.plain(narrowest['box'])}" if narrowest["box"] else ""
        remedy = show.plain(narrowest["remedy"])
        rate = f"{_mb(narrowest['rate'])} MB/s"
        if narrowest["stage"] == "read-back":
            rate += " with the hashing of what is read"
        line = f"{which} {part}{what}{where}, {rate}. What widens it: "
        click.echo(show.wrapped(line + remedy[:1].lower() + remedy[1:]))
    if estimate is not None:
        least, most = _span(estimate["least_s"]), _span(estimate["most_s"])
        line = f"{human(estimate['total_bytes'])} take about {least} until ready"
        if most != least:
            line += f", up to {most} as one single file, or on a storage that cannot write and "
            line += "read back at once"
        click.echo(show.wrapped(f"{line}. An estimate."))


def _span(seconds: float) -> str:
    """Return a time as it is planned with: rounded coarsely."""
    if seconds < 90:
        return f"{max(1, round(seconds))} s"
    minutes = round(seconds / 60)
    if minutes < 90:
        return f"{minutes} min"
    hours, rest = divmod(round(minutes / 5) * 5, 60)
    return f"{hours} h {rest} min" if rest and hours < 24 else f"{hours} h"


def _bits(mbit: int) -> str:
    return f"{mbit / 1000:g} Gb/s" if mbit >= 1000 else f"{mbit} Mb/s"
