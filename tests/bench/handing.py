"""One roll handed over by a pair of real daemons, timed from outside.

From the roll's appearance, with its manifest, as one rename, to the moment at which the offload
box's event stream says that it is ready: one connection, instead of a question every few moments.
"""

import json
import os
import shutil
import time
import urllib.request
from collections.abc import Mapping
from pathlib import Path

from tests.bench.workplace import cool
from tests.boxes import DAY, Box, Pair, place_roll, token_header, wait_until

SEALED, CLEAR = "sealed", "clear"
NAME = "A012"
CONNECT_S = 30.0
IDLE_S = 1.0
READY_S = 3600.0
SILENCE_S = 60.0  # of the stream, which says something every 15 s


def hand_off(staged: Path, folder: Path, lanes: str) -> Mapping[str, float]:
    """Have an idle pair of its own hand staged over, with lanes SEALED or CLEAR; put it back."""
    pair = Pair(folder / "pair")
    if lanes == CLEAR:
        pair.configure_clear()
    with pair:
        wait_idle(pair)
        cool(staged)
        with ReadyBell(pair.offload) as bell:
            began_s = time.monotonic()
            placed = place_roll(staged, pair.landing, NAME)
            took_s = bell.wait(NAME) - began_s
    check_published(placed, pair.storage / DAY / NAME)
    os.rename(placed, staged)
    shutil.rmtree(folder / "pair")
    return {lanes: took_s}


def wait_idle(pair: Pair) -> None:
    """Wait until both boxes know of each other and have nothing to do, as it would be on set."""
    boxes = (pair.offload, pair.processing)
    wait_until(
        lambda: all(peer["present"] for box in boxes for peer in box.api("peers")["peers"]),
        CONNECT_S,
        "the boxes do not find each other",
    )
    time.sleep(IDLE_S)


def check_published(source: Path, published: Path) -> None:
    """Assert that every file of source is there, as long as it is; the hand-off itself compares."""
    files = [path for path in source.rglob("*") if path.is_file()]
    lack = [
        path
        for path in files
        if (published / path.relative_to(source)).stat().st_size != path.stat().st_size
        and path.parent.name != "ascmhl"  # the chain gains a generation
    ]
    assert files
    assert not lack, f"not published as they are: {lack[:5]}"


class ReadyBell:
    """The event stream of a box, from now on. wait() raises AssertionError if the roll is held."""

    def __init__(self, box: Box) -> None:
        request = urllib.request.Request(
            f"http://127.0.0.1:{box.board}/api/events", headers=token_header(box.folder / "state")
        )
        self._stream = urllib.request.urlopen(request, timeout=SILENCE_S)
        while self._stream.readline().strip():  # its first block: from here on it is all told
            pass

    def __enter__(self) -> "ReadyBell":
        return self

    def __exit__(self, *_: object) -> None:
        self._stream.close()

    def wait(self, name: str) -> float:
        """Return the moment (monotonic seconds) at which the roll is said to be ready."""
        ends_s = time.monotonic() + READY_S
        while line := self._stream.readline():
            now_s = time.monotonic()
            assert now_s < ends_s, f"{name} is not ready after {READY_S:.0f} s"
            if not line.startswith(b"data:"):
                continue
            event = json.loads(line.removeprefix(b"data:"))
            if event["roll"] and event["roll"].get("name") == name:
                assert event["type"] != "held", f"{name} is held: {event['note']}"
                if event["type"] == "ready":
                    return now_s
        raise AssertionError("the event stream ended")
