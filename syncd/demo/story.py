"""The demo's story, step by step; each step waits for what really happens and says what it saw.

Owns: the order of the steps, what each must have seen to count, the time limits.
Must not: tell anything that a daemon, the cable or the disk did not show.
"""

import json
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from syncd.demo import independent
from syncd.demo.api import ApiError, Event
from syncd.demo.boxes import BoxError, Boxes
from syncd.demo.link import Link
from syncd.demo.meddling import Meddling, flip_while_growing
from syncd.demo.teller import Outcome, Teller, megabytes
from syncd.demo.truth import MadeRoll, write_truth
from syncd.demo.watching import PATIENCE_S, StepError, Watching

WATCHABLE_PACE = 0.3  # of the cable, while a small roll overtakes another small roll
SENT_TWICE_BYTES_MAX = 64 * 1024 * 1024  # for each lane; a promise of syncd


@dataclass(frozen=True, slots=True)
class Rolls:
    """The rolls of the story, as made."""

    camera: MadeRoll
    stills: MadeRoll
    sound: MadeRoll
    flipped: MadeRoll
    namesake: MadeRoll

    @property
    def all(self) -> tuple[MadeRoll, ...]:
        """Return all of them."""
        return (*self.published, self.namesake)

    @property
    def published(self) -> tuple[MadeRoll, ...]:
        """Return those that must be on the storage at the end."""
        return (self.camera, self.stills, self.sound, self.flipped)


class Story:
    """Tells everything once; outcomes has a line for each step, reached or not."""

    def __init__(self, boxes: Boxes, rolls: Rolls, link: Link, teller: Teller) -> None:
        self._boxes = boxes
        self._rolls = rolls
        self._link = link
        self._teller = teller
        self._watch = Watching(boxes, link, teller)
        self._carried_before = 0
        self.outcomes: list[Outcome] = []

    def tell(self) -> bool:
        """Tell all steps; a step that fails ends the story. Returns whether all was good."""
        steps: list[tuple[str, str, Callable[[], str]]] = [
            ("evidence", "a landed roll is verified by the evidence it came with", self._evidence),
            ("moving", "its parcels travel, sealed, and are confirmed when durable", self._moving),
            ("cable", f"{self._link.what_a_cut_is}; the roll goes on by itself", self._cut),
            ("rush", "S003 overtakes B007 in mid-roll", self._rush),
            ("wrong bit", "a bit flipped on the storage is found, named and repaired", self._flip),
            ("same name", "another A012 with other content is held", self._namesake),
            ("ready", "a command of ours ran for each ready roll", self._ready),
            ("fetch", "editorial fetches A012 and verifies it", self._fetch),
            ("check", "all files are what they were when made, by other code", self._check),
        ]  # fmt: skip
        for number, (step, what, work) in enumerate(steps, start=1):
            self._teller.step(number, f"{step}: {what}")
            try:
                seen, is_good = work(), True
            except (StepError, ApiError, BoxError, subprocess.TimeoutExpired) as error:
                seen, is_good = str(error), False
                self._teller.say(seen, "bold red")
            self.outcomes.append(Outcome(step, what, seen, is_good))
            if not is_good:
                missed = [Outcome(name, about, "", None) for name, about, _ in steps[number:]]
                self.outcomes += missed
                return False
        return True

    # 1, 2

    def _evidence(self) -> str:
        roll = self._rolls.camera
        self._carried_before = self._link.carried_bytes
        appeared_s = time.monotonic()
        self._watch.land(roll, self._boxes.landing)
        self._teller.say(f"{roll.day}/{roll.name} appears on the landing: {roll.what}")
        self._watch.offload_says(roll.name, "verified")
        took_s = time.monotonic() - appeared_s
        files = self._watch.offload_roll(roll.name)["files"]
        expected = len(roll.media) + len(roll.evidence)
        if files != expected:
            raise StepError(f"{files} files in the inventory, {expected} were made")
        return self._told(
            f"{len(roll.media)} media files covered, verified {took_s:.1f} s after it appeared"
        )

    def _moving(self) -> str:
        roll = self._rolls.camera
        first = self._until_carried(roll, 0.05)
        started_s = time.monotonic()
        second = self._until_carried(roll, 0.3)
        rate = (second - first) / (time.monotonic() - started_s)
        return self._told(
            f"{megabytes(second)} of {megabytes(roll.total_bytes)} at {megabytes(rate)}/s "
            f"through {self._link.what_it_is}"
        )

    def _until_carried(self, roll: MadeRoll, share: float) -> int:
        """Wait until a share of a roll is through; returns how much went since the step began."""
        count = self._carried_before + int(share * roll.total_bytes)
        what = f"{share:.0%} of {roll.name} went through"
        return self._watch.until_carried(count, what) - self._carried_before

    # 3

    def _cut(self) -> str:
        roll = self._rolls.camera
        before = self._until_carried(roll, 0.4)
        out_s = time.monotonic()
        self._link.cut()
        self._teller.say(
            f"{self._link.what_a_cut_is}: {megabytes(before)} of {megabytes(roll.total_bytes)} "
            "were through",
            "yellow",
        )
        if self._watch.offload_roll(roll.name)["stage"] not in {"moving", "verified"}:
            raise StepError("the roll was through before the cut")
        self._land_during_the_cut()
        if (self._boxes.storage / roll.day / roll.name).exists():
            raise StepError("half a roll was published")
        self._link.join()
        self._teller.say(f"mended after {time.monotonic() - out_s:.1f} s")
        self._watch.offload_says(roll.name, "ready")
        resent = self._boxes.offload.api.metric("syncd_resent_bytes_total")
        allowed = self._link.lanes * SENT_TWICE_BYTES_MAX
        if resent > allowed:
            raise StepError(f"{megabytes(resent)} were sent twice")
        return self._told(
            f"cut at {megabytes(before)}, then resumed and ready; sent twice: {megabytes(resent)} "
            f"(allowed: {megabytes(allowed)})"
        )

    def _land_during_the_cut(self) -> None:
        """Two further rolls arrive while nothing can travel, B007 first; the next step needs both.

        A plain list has no end mark, so it counts only after some seconds without a change.
        """
        for roll in (self._rolls.stills, self._rolls.sound):
            self._watch.land(roll, self._boxes.landing)
            self._teller.say(f"meanwhile {roll.day}/{roll.name} is offloaded: {roll.what}")
            self._watch.until_known(roll)
        for roll in (self._rolls.stills, self._rolls.sound):
            self._watch.offload_says(roll.name, "verified")
            self._switch(roll, "pause")
        self._teller.say("both are verified, and paused by hand until the next step")

    def _switch(self, roll: MadeRoll, what: str) -> None:
        self._boxes.offload.api.post(f"/api/rolls/{roll.name}/{what}", {})

    # 4

    def _rush(self) -> str:
        stills, sound = self._rolls.stills, self._rolls.sound
        self._carried_before = self._link.carried_bytes
        if slowed := self._link.set_pace(WATCHABLE_PACE):
            self._teller.say(slowed)
        for roll in (stills, sound):
            self._switch(roll, "go")
        self._teller.say(f"go for both; {stills.name} arrived first, and goes first")
        moved = self._until_carried(stills, 0.1)
        self._boxes.offload.api.post(f"/api/rolls/{sound.name}/rank", {"rush": True})
        if not 0 < moved < stills.total_bytes:
            raise StepError(f"{stills.name} was not under way")
        self._teller.say(
            f"rush {sound.name}, with {megabytes(moved)} of {megabytes(stills.total_bytes)} "
            f"of {stills.name} through"
        )
        there = self._watch.processing_says(sound.name, "reading-back")
        self._link.set_pace(1)
        left = stills.total_bytes - self._stored_bytes(stills)
        if left <= 0:
            raise StepError(f"{sound.name} was all there only after {stills.name}")
        self._teller.say(
            f"{sound.name} is all there at {_clock(there)}, with {megabytes(left)} of "
            f"{stills.name} still to come"
        )
        first = self._watch.processing_says(sound.name, "ready")
        second = self._watch.processing_says(stills.name, "ready")
        return self._told(
            f"rushed after {megabytes(moved)} of {stills.name}, all there {megabytes(left)} before "
            f"its end; {sound.name} ready at {_clock(first)}, {stills.name} at {_clock(second)}"
        )

    def _stored_bytes(self, roll: MadeRoll) -> int:
        """Return how much of a roll is durable on the storage, as the processing box says."""
        rolls = self._boxes.processing.api.rolls()
        return next(int(each["moved_bytes"]) for each in rolls if each["name"] == roll.name)

    # 5

    def _flip(self) -> str:
        roll = self._rolls.flipped
        source = self._watch.land(roll, self._boxes.landing)
        self._teller.say(f"{roll.day}/{roll.name} is offloaded: {roll.what}")
        self._watch.offload_says(roll.name, "verified")
        roll_id = self._watch.offload_roll(roll.name)["id"]
        incoming = self._boxes.storage / ".syncd" / "incoming" / roll_id / "roll"
        with self._teller.waiting("a clip grows on the storage"):
            done = flip_while_growing(incoming, source, roll, PATIENCE_S)
        if done is None:
            raise StepError("no clip was seen growing, so no bit was flipped")
        self._teller.say(f"one bit flipped: {done}", "yellow")
        return self._found_and_repaired(roll, done)

    def _found_and_repaired(self, roll: MadeRoll, done: Meddling) -> str:
        found = self._watch.processing_says(roll.name, "resend")
        self._teller.say(f"process-1: {found['note']}")
        if found["data"].get("path") != done.path:
            raise StepError(f"another file was named: {found['data']}")
        self._watch.processing_says(roll.name, "ready")
        asked = [e for e in self._boxes.processing.events.all() if e["type"] == "resend"]
        if len(asked) != 1:
            raise StepError(f"{len(asked)} files were asked for again, not one")
        return self._told(f"{done.path} named, sent once more, read back good; {roll.name} ready")

    # 6, 7

    def _namesake(self) -> str:
        roll, first = self._rolls.namesake, self._rolls.camera
        self._watch.land(roll, self._boxes.landing_2)
        self._teller.say(f"another {roll.day}/{roll.name} is offloaded: {roll.what}")
        taken_id = next(r["id"] for r in self._watch.named(first.name) if r["stage"] == "ready")

        def is_it(event: Event) -> bool:
            return bool(event["type"] == "held" and event["roll"]["id"] != taken_id)

        if self._boxes.offload.events.wait(is_it, PATIENCE_S) is None:
            raise StepError("it was not held")
        held = next(r["held"] for r in self._watch.named(roll.name) if r["id"] != taken_id)
        self._teller.say(held["message"])
        if held["code"] != "name-taken":
            raise StepError(f"it was held for {held['code']}")
        return f"held: {held['code']}; the first {first.name} is untouched"

    def _ready(self) -> str:
        seen = 0
        for roll in (
            self._rolls.camera,
            self._rolls.sound,
            self._rolls.stills,
            self._rolls.flipped,
        ):
            event = self._watch.processing_says(roll.name, "delivery")
            self._teller.say(f"{roll.name}: {event['note']}")
            if f"to transcode: {roll.name}, " not in event["note"]:
                raise StepError(f"not what the command prints: {event['note']}")
            seen += 1
        return f"{seen} times, exit 0, its last line kept in each roll's history"

    # 8, 9

    def _fetch(self) -> str:
        roll, editorial = self._rolls.camera, self._boxes.editorial
        done = editorial.command("fetch", roll.name, "--to", str(self._boxes.rushes))
        said = done.stdout.strip()
        self._teller.say(f"$ syncd fetch {roll.name} --to rushes: {said or done.stderr.strip()}")
        if done.returncode != 0:
            raise StepError(f"exit {done.returncode}: {done.stderr.strip()}")
        self._watch.processing_says(roll.name, "fetched")
        return f"{megabytes(roll.total_bytes)} fetched; process-1 knows of it"

    def _check(self) -> str:
        rolls = self._rolls
        places = [(self._boxes.storage / r.day / r.name, r) for r in rolls.published]
        places.append((self._boxes.rushes / rolls.camera.day / rolls.camera.name, rolls.camera))
        truth = self._boxes.folder / "truth.json"
        write_truth(truth, places)
        done = subprocess.run(  # noqa: S603 - our own program, no shell
            [sys.executable, str(independent.__file__), str(truth)],
            check=False,
            capture_output=True,
            text=True,
            timeout=PATIENCE_S,
        )
        answer = _answer(done)
        for problem in answer["problems"]:
            self._teller.say(problem, "bold red")
        if done.returncode != 0 or answer["problems"]:
            raise StepError(f"{len(answer['problems'])} problems: {answer['problems'][:1]}")
        others = _not_listed(self._boxes.storage, {folder for folder, _ in places})
        if others:
            raise StepError(f"on the storage beside the rolls: {others}")
        return self._told(
            f"{answer['files']:,} files in {len(places)} folders, {answer['digests']:,} digests "
            "compared, no difference; nothing else is there"
        )

    def _told(self, seen: str) -> str:
        self._teller.say(seen, "green")
        return seen


def _clock(event: Event) -> str:
    return str(event["at"])[11:23]


def _answer(done: subprocess.CompletedProcess[str]) -> dict[str, Any]:
    try:
        answer: dict[str, Any] = json.loads(done.stdout)
    except ValueError as error:
        raise StepError(f"the check itself failed: {done.stderr.strip()[-300:]}") from error
    return answer


def _not_listed(storage: Path, folders: set[Path]) -> list[str]:
    """Return what is published beside the folders that were checked."""
    found = {roll for day in storage.iterdir() if day.is_dir() for roll in day.iterdir()}
    published = {path for path in found if not path.parent.name.startswith(".")}
    return sorted(str(path) for path in published - folders)
