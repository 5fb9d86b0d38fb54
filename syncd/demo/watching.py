"""How the story watches the boxes: rolls, events, and how long it waits for them.

Owns: time limits of waiting, and what is said when something does not happen.
"""

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from syncd.demo.api import Event
from syncd.demo.boxes import Box, Boxes
from syncd.demo.link import Link
from syncd.demo.teller import Teller
from syncd.demo.truth import MadeRoll

PATIENCE_S = 300.0  # a machine that is busy with other work is slower, not wrong
_POLL_S = 0.005


class StepError(Exception):
    """A step did not see what it had to see; the message says what it saw instead."""


class Watching:
    """Looks at the boxes. Whatever waits raises StepError after PATIENCE_S."""

    def __init__(self, boxes: Boxes, link: Link, teller: Teller) -> None:
        self._boxes = boxes
        self._link = link
        self._teller = teller

    def land(self, roll: MadeRoll, landing: Path) -> Path:
        """Let a roll appear on a landing, as the last step of an offload: one rename."""
        day = landing / roll.day
        day.mkdir(parents=True, exist_ok=True)
        os.rename(roll.folder, day / roll.name)
        return day / roll.name

    def named(self, name: str) -> list[dict[str, Any]]:
        """Return the rolls of that name on the offload box."""
        return [roll for roll in self._boxes.offload.api.rolls() if roll["name"] == name]

    def offload_roll(self, name: str) -> dict[str, Any]:
        """Return the one roll of that name on the offload box."""
        found = self.named(name)
        if not found:
            raise StepError(f"offload-1 does not know {name}")
        return found[0]

    def until_known(self, roll: MadeRoll) -> None:
        """Wait until the offload box has seen a roll."""
        self.until(lambda: self.named(roll.name), f"{roll.name} was seen")

    def until_carried(self, count: int, what: str) -> int:
        """Wait until the way carried so many bytes in all; returns how many it did."""
        self.until(lambda: self._link.carried_bytes >= count, what)
        return self._link.carried_bytes

    def until(self, is_there: Callable[[], object], what: str) -> None:
        """Wait until is_there() is true."""
        deadline_s = time.monotonic() + PATIENCE_S
        while not is_there():
            if time.monotonic() > deadline_s:
                raise StepError(f"in {PATIENCE_S:.0f} s it did not happen that {what}")
            time.sleep(_POLL_S)

    def offload_says(self, name: str, kind: str) -> Event:
        """Wait until the offload box said this of a roll."""
        return self._says(self._boxes.offload, name, kind)

    def processing_says(self, name: str, kind: str) -> Event:
        """Wait until the processing box said this of a roll."""
        return self._says(self._boxes.processing, name, kind)

    def _says(self, box: Box, name: str, kind: str) -> Event:
        def is_it(event: Event) -> bool:
            return event["type"] == kind and (event["roll"] or {}).get("name") == name

        with self._teller.waiting(f"{box.name}: {name} {kind}"):
            event = _wait(box, is_it)
        if event is None:
            known = [
                f"{roll['name']} {roll['stage']} {roll['held'] or ''}" for roll in box.api.rolls()
            ]
            raise StepError(
                f"{box.name} did not say in {PATIENCE_S:.0f} s: {name} {kind}; its rolls: {known}"
            )
        return event


def _wait(box: Box, is_it: Callable[[Event], bool]) -> Event | None:
    """Wait for an event, but not for a daemon that has ended."""
    deadline_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < deadline_s:
        event = box.events.wait(is_it, 1.0)
        if event is not None:
            return event
        if not box.is_running:
            raise StepError(f"{box.name} has ended; see its log")
    return None
