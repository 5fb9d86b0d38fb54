"""`syncd speed` on the box whose rolls are handed over: one at a time, asked for by a person.

Owns: when one may begin, what has come of it, and its end: when it is done, when the command that
asked is gone, when a roll begins to move. Must not: know HTTP, or how anything is measured.
"""

import asyncio
import logging
import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from functools import partial
from typing import Any

from syncd.bell import Bell
from syncd.company import Reach
from syncd.errors import NotPossibleError, SyncdError, first_of
from syncd.handoff.aim import Aim
from syncd.journal.journal import JournalError
from syncd.limits import SPEED_LEASE_S, TICK_S
from syncd.speed.findings import Part, Surroundings, Told, estimate, narrowest, warnings
from syncd.speed.steps import Means, Steps
from syncd.speed.under_way import REMEDY, card_offloaded, rolls_to_send
from syncd.stopping import to_its_end

log = logging.getLogger(__name__)

Plain = dict[str, Any]

_CARDS_EVERY = 8  # looks at what is being offloaded, which walk folders, to looks at rolls
NOTHING_WRONG = frozenset({"storage-slower-than-cable"})  # worth knowing, and often as it must be


@dataclass(slots=True)
class _Asked:
    """One measuring: what was asked, and what has come of it."""

    number: int
    peer: str
    seconds: float
    total_bytes: int
    asked_s: float
    over: threading.Event = field(default_factory=threading.Event)
    state: str = "measuring"
    doing: str = "asking the other box"
    parts: list[Part] = field(default_factory=list)
    around: Surroundings | None = None
    problem: str = ""
    remedy: str = ""


class Measuring:
    """Runs until cancelled; the board asks it.

    aim: tells who takes the rolls; None on a box that has none to hand over.
    reach: gives the way to a trusted peer, by its name.
    """

    def __init__(
        self, means: Means, *, aim: Callable[[], Aim | None], reach: Callable[[str], Reach]
    ) -> None:
        self._means = means
        self._ports = means.ports
        self._aim = aim
        self._reach = reach
        self._bell = Bell()
        self._changed = asyncio.Event()
        self._asked: _Asked | None = None
        self._number = 0

    async def run(self) -> None:
        """Measure what is asked for, until cancelled."""
        try:
            while True:
                await self._bell.wait(None)
                if self._asked is not None and self._asked.state == "measuring":
                    await self._measure(self._asked)
        finally:
            if self._asked is not None:
                self._asked.over.set()

    # Asked by the board

    async def start(self, seconds: float, total_bytes: int) -> Plain:
        """Begin to measure. Raises NotPossibleError, or what keeps the peer from being reached.

        total_bytes: the amount for which an estimate is wanted.
        """
        peer = self._peer()
        first = await self._ports.disk.aside(partial(self._first, with_cards=True))
        if first:
            raise NotPossibleError(f"Nothing is measured now: {first}", remedy=REMEDY)
        if self._asked is not None and self._asked.state == "measuring":
            raise NotPossibleError("It is being measured already.", remedy="Wait for its end.")
        now_s = self._ports.clock.monotonic_s()
        self._number += 1
        self._asked = asked = _Asked(self._number, peer, seconds, total_bytes, now_s)
        self._bell.ring()
        return self._plain(asked)

    async def wait(self, number: int, wait_s: float) -> Plain:
        """Return how far a measuring is, once that has changed or after wait_s."""
        asked = self._known(number)
        asked.asked_s = self._ports.clock.monotonic_s()
        if asked.state == "measuring":
            try:
                async with asyncio.timeout(wait_s):
                    await self._changed.wait()
            except TimeoutError:
                pass
        asked.asked_s = self._ports.clock.monotonic_s()
        return self._plain(asked)

    def close(self, number: int) -> Plain:
        """End a measuring; nothing of it is left on either box soon after."""
        asked = self._known(number)
        if asked.state == "measuring":
            asked.asked_s = float("-inf")
            asked.over.set()
        return self._plain(asked)

    def _known(self, number: int) -> _Asked:
        if self._asked is None or self._asked.number != number:
            raise NotPossibleError(
                f"Nothing of the measuring {number} is known any more.",
                remedy="Run `syncd speed` again.",
            )
        return self._asked

    def _peer(self) -> str:
        """Return who takes the rolls. Raises NotPossibleError if that is nobody, or not clear."""
        aimed = self._aim()
        if aimed is None:
            raise NotPossibleError(
                f"{self._means.own_name} hands no rolls over.",
                remedy="Run `syncd speed` on the offload box: it has landing and destination.",
            )
        if aimed.peer is None:
            raise NotPossibleError(aimed.problem, remedy=aimed.remedy)
        return aimed.peer.name

    # One measuring

    async def _measure(self, asked: _Asked) -> None:
        steps = Steps(
            self._means,
            asked.peer,
            self._reach(asked.peer),
            asked.seconds,
            doing=lambda text: self._note(asked, doing=text),
            done=lambda part: self._note(asked, part=part),
            is_over=asked.over.is_set,
        )
        try:
            await to_its_end(self._take(asked, steps), name="measuring-steps")
        except* SyncdError as group:
            error = first_of(group)
            assert isinstance(error, SyncdError), "the group has only such"
            self._end(asked, "failed", error.problem, error.remedy)
        except* Exception:
            # A mistake of ours: whoever measures is told, and rolls go on.
            log.exception("The measuring failed.")
            self._end(asked, "failed", "The measuring failed.", "See the log of this box.")
        else:
            self._end(asked, "done")
        finally:
            asked.over.set()

    async def _take(self, asked: _Asked, steps: Steps) -> None:
        """Take all steps while somebody wants them. Raises SyncdError, or a group of them."""
        await steps.begin()
        asked.around = steps.around
        try:
            async with asyncio.TaskGroup() as group:
                keeping = (
                    group.create_task(steps.keep_open(), name="speed-open"),
                    group.create_task(self._watch(asked), name="speed-watch"),
                )
                await steps.measure()
                for task in keeping:
                    task.cancel()
        finally:
            asked.over.set()
            await self._say_end(steps)

    async def _say_end(self, steps: Steps) -> None:
        try:
            await steps.end()
        except (SyncdError, TimeoutError):
            return  # it ends by itself there when it is not asked for any more

    async def _watch(self, asked: _Asked) -> None:
        """Raise NotPossibleError when nobody asks any more, or a roll or card comes first."""
        looks = 0
        while True:
            await self._ports.clock.sleep(TICK_S)
            if self._ports.clock.monotonic_s() - asked.asked_s > SPEED_LEASE_S:
                raise NotPossibleError(
                    "The measuring was ended.", remedy="Run `syncd speed` again."
                )
            looks += 1
            try:
                look = partial(self._first, with_cards=looks % _CARDS_EVERY == 0)
                first = await self._ports.disk.aside(look)
            except JournalError:
                continue  # nothing moves without a journal
            if first:
                raise NotPossibleError(f"The measuring was ended: {first}", remedy=REMEDY)

    def _first(self, *, with_cards: bool) -> str:
        """Say what comes before measuring just now; "" if nothing does. Blocks."""
        journal, disk, clock = self._means.journal, self._ports.disk, self._ports.clock
        found = rolls_to_send(journal)
        return found or (card_offloaded(journal, disk, clock) if with_cards else "")

    def _note(self, asked: _Asked, *, doing: str = "", part: Part | None = None) -> None:
        asked.doing = doing or asked.doing
        if part is not None:
            asked.parts.append(part)
        self._tell()

    def _end(self, asked: _Asked, state: str, problem: str = "", remedy: str = "") -> None:
        asked.state, asked.doing = state, ""
        asked.problem, asked.remedy = problem, remedy
        self._tell()

    def _tell(self) -> None:
        self._changed.set()
        self._changed = asyncio.Event()

    def _plain(self, asked: _Asked) -> Plain:
        own = self._means.own_name
        around = asked.around or Surroundings(source=own, storage=asked.peer)
        told = warnings(asked.parts, around)
        is_well = all(each.code in NOTHING_WRONG for each in told)
        return {
            "id": asked.number,
            "state": asked.state,
            "ok": asked.state == "done" and is_well,
            "doing": asked.doing,
            "from": own,
            "to": asked.peer,
            "stages": [_plain_part(part) for part in asked.parts],
            "narrowest": _plain_narrowest(asked.parts, around),
            "estimate": _plain_estimate(asked.parts, around, asked.total_bytes),
            "warnings": [_plain_told(each) for each in told],
            "cable": [{"box": box} | end.to_plain() for box, end in around.ends() if asked.around],
            "problem": asked.problem,
            "remedy": asked.remedy,
        }


def _plain_part(part: Part) -> Plain:
    return asdict(part) | {"stage": part.stage.value}


def _plain_narrowest(parts: list[Part], around: Surroundings) -> Plain | None:
    found = narrowest(parts, around)
    if found is None:
        return None
    part = found.part
    return {
        "stage": part.stage.value,
        "box": part.box,
        "what": part.what,
        "rate": found.rate,
        "remedy": found.remedy,
    }


def _plain_estimate(parts: list[Part], around: Surroundings, total_bytes: int) -> Plain | None:
    found = estimate(parts, around, total_bytes)
    return None if found is None else asdict(found)


def _plain_told(told: Told) -> Plain:
    return asdict(told)
