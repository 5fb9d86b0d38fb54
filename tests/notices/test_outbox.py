"""The relay on simulated time: at least once, in order per roll, nobody held up by another."""

import asyncio
import random
from collections.abc import Callable, Collection, Coroutine
from contextlib import suppress
from dataclasses import replace
from typing import Any, TypeVar, cast

from syncd.journal import notices, rolls
from syncd.journal.journal import Journal
from syncd.journal.notices import NoticeRow
from syncd.notices.outbox import Relay
from syncd.notices.subscriber import DAYS, MINUTES, Outcome, Patience
from syncd.ports import Disk, Lines, Ports
from tests.faults.virtual_time import run_simulated
from tests.journal.samples import NOW, add

T = TypeVar("T")
TWO = replace(MINUTES, attempts_max=2)
Answer = Callable[[NoticeRow, int], bool]


class Clock:
    """Simulated time, from the loop; the wall clock can be set."""

    def __init__(self) -> None:
        self.set_by_ms = NOW

    def monotonic_s(self) -> float:
        return asyncio.get_running_loop().time()

    def utc_ms(self) -> int:
        return self.set_by_ms + int(self.monotonic_s() * 1000)

    async def sleep(self, seconds: float) -> None:
        await asyncio.sleep(seconds)


class Chance(random.Random):
    """Chance from one seed; remembers what it was asked."""

    def __init__(self) -> None:
        super().__init__(3)
        self.asked: list[float] = []

    def random_bytes(self, count: int) -> bytes:
        return self.randbytes(count)

    def uniform(self, a: float, b: float) -> float:
        assert a == 0.0
        self.asked.append(b)
        return super().uniform(a, b)


class Aside:
    """The part of a disk that the relay uses: work beside the loop, here at once."""

    async def aside(self, work: Callable[..., T], *args: Any) -> T:
        return work(*args)


class Box:
    """One node's outbox with its relay."""

    def __init__(self) -> None:
        self.journal = Journal(None, journal_id="j")
        self.clock, self.chance = Clock(), Chance()
        self.ports = Ports(self.clock, self.chance, cast("Disk", Aside()), cast("Lines", None))

    def add(self, *names: str, kind: str = "ready") -> None:
        """Say something of rolls, made on their first mention."""
        with self.journal.write() as db:
            for name in names:
                found = rolls.find(db, name)
                roll_id = found[0].roll_id if found else add(db, name)
                notices.add(db, roll_id, kind, now_utc_ms=NOW)

    def notes(self, name: str) -> list[str]:
        """Return what the history of a roll says, beyond its stages."""
        with self.journal.read() as db:
            history = rolls.history(db, rolls.find(db, name)[0].roll_id)
        return [line.note for line in history if line.note]

    def cursor(self, subscriber: str = "ear") -> int:
        """Return how far a subscriber is served."""
        with self.journal.read() as db:
            return notices.cursor(db, subscriber)

    async def relay(self, *ears: "Ear", for_s: float = 3600.0, then: Any = None) -> None:
        """Run the relay for a while; then() is called once it listens."""
        relay = Relay(ears, self.journal, self.ports)
        with suppress(TimeoutError):
            async with asyncio.timeout(for_s), asyncio.TaskGroup() as group:
                group.create_task(relay.run())
                await asyncio.sleep(0.01)
                if then is not None:
                    then()


class Ear:
    """A subscriber that remembers what it was told, and answers as it is asked to."""

    def __init__(
        self,
        answer: Answer = lambda _notice, _attempt: True,
        *,
        name: str = "ear",
        kinds: Collection[str] = ("ready",),
        patience: Patience = MINUTES,
    ) -> None:
        self.name, self.kinds, self.patience = name, kinds, patience
        self.heard: list[str] = []
        self.paths: set[str] = set()
        self._answer = answer

    async def deliver(self, notice: NoticeRow, path: str) -> Outcome:
        attempt = sum(1 for said in self.heard if said == self._said(notice))
        self.heard.append(self._said(notice))
        self.paths.add(path)
        good = self._answer(notice, attempt)
        return Outcome(good, f"told {notice.seq}" if good else f"failed {notice.seq}")

    def _said(self, notice: NoticeRow) -> str:
        return f"{notice.body['roll']['name']}:{notice.notice_id}"


def simulated(main: Coroutine[Any, Any, None]) -> None:
    """Run a story of at most some simulated days."""
    run_simulated(main, limit_s=1e6)


def test_notices_are_delivered_in_order_as_they_come() -> None:
    """With the roll's path; the roll's history says so, and the cursor follows."""
    box, ear = Box(), Ear()
    simulated(box.relay(ear, then=lambda: box.add("A012", "B007", "A012")))

    assert ear.heard == ["A012:j-2", "B007:j-4", "A012:j-5"]
    assert ear.paths == {f"/landing/2026-03-14_D12/{name}" for name in ("A012", "B007")}
    assert box.notes("A012") == ["told 2", "told 5"]
    assert box.cursor() == 5


def test_only_the_kinds_asked_for_are_delivered() -> None:
    """And never news of deliveries, which would breed."""
    box = Box()
    ear = Ear(kinds=("hello", "delivery", "note"))

    def say() -> None:
        for kind in ("ready", "hello", "delivery", "note"):
            box.add("A012", kind=kind)

    simulated(box.relay(ear, then=say))

    assert ear.heard == ["A012:j-3", "A012:j-5"]


def test_a_failed_attempt_is_made_again_under_the_same_id() -> None:
    """With full jitter: between 0 and 1 s x 2^attempt, at most 60 s (AWS Architecture Blog)."""
    box = Box()
    ear = Ear(lambda _, attempt: attempt == 8)
    simulated(box.relay(ear, then=lambda: box.add("A012")))

    assert ear.heard == ["A012:j-2"] * 9
    assert box.chance.asked == [2, 4, 8, 16, 32, 60, 60, 60]
    assert box.notes("A012") == ["failed 2"] * 8 + ["told 2"]
    assert box.cursor() == 2


def test_order_is_kept_within_a_roll_while_others_pass() -> None:
    """What failed holds up its own roll only, until it gets through."""
    box = Box()
    ear = Ear(lambda notice, attempt: notice.seq != 2 or attempt == 2)
    simulated(box.relay(ear, then=lambda: box.add("A012", "B007", "A012")))

    assert ear.heard == ["A012:j-2", "B007:j-4", "A012:j-2", "A012:j-2", "A012:j-5"]
    assert box.cursor() == 5


def test_in_the_end_it_is_given_up_and_said_on_the_roll() -> None:
    """The next notice of the roll then goes out; the record of what was given up stays."""
    box = Box()
    ear = Ear(lambda notice, _: notice.seq != 2, patience=replace(MINUTES, attempts_max=3))
    simulated(box.relay(ear, then=lambda: box.add("A012", "A012")))

    assert ear.heard == ["A012:j-2"] * 3 + ["A012:j-3"]
    assert box.notes("A012")[2:] == ["failed 2 (given up after 3 attempts)", "told 3"]
    assert box.cursor() == 3
    with box.journal.read() as db:
        (given_up,) = notices.deliveries(db, "ear").values()
    assert (given_up.seq, given_up.attempts, given_up.outcome) == (2, 3, "given-up")


def test_a_dead_subscriber_holds_up_nobody_else() -> None:
    """Not by failing, not by raising, not by never coming back."""
    box = Box()

    class Raising(Ear):
        async def deliver(self, notice: NoticeRow, path: str) -> Outcome:
            await super().deliver(notice, path)
            raise ZeroDivisionError

    class Hanging(Ear):
        async def deliver(self, notice: NoticeRow, path: str) -> Outcome:
            await super().deliver(notice, path)
            await asyncio.Event().wait()
            raise AssertionError

    failing = Ear(lambda *_: False, name="failing")
    raising, hanging, well = Raising(name="raising"), Hanging(name="hanging"), Ear(name="well")
    simulated(box.relay(failing, raising, hanging, well, then=lambda: box.add("A012", "B007")))

    assert well.heard == ["A012:j-2", "B007:j-4"]
    assert (len(failing.heard), len(raising.heard), len(hanging.heard)) == (20, 20, 1)


def test_what_was_sent_and_not_recorded_is_sent_again() -> None:
    """Killed between send and record: the restarted relay repeats it, with the same id."""
    box = Box()

    class Dying(Ear):
        async def deliver(self, notice: NoticeRow, path: str) -> Outcome:
            await super().deliver(notice, path)
            raise asyncio.CancelledError

    dying, ear = Dying(), Ear()
    simulated(box.relay(dying, for_s=1, then=lambda: box.add("A012")))
    simulated(box.relay(ear))
    simulated(box.relay(again := Ear()))

    assert dying.heard == ear.heard == ["A012:j-2"]
    assert again.heard == []


def test_a_restart_keeps_the_delay() -> None:
    """A failing command is not run at once again only because the daemon was restarted."""
    box, heard_at = Box(), list[float]()

    def fail(_notice: NoticeRow, _attempt: int) -> bool:
        heard_at.append(box.clock.monotonic_s())
        return False

    async def story() -> None:
        await box.relay(Ear(fail), for_s=0.02, then=lambda: box.add("A012"))
        await box.relay(Ear(fail, patience=TWO), for_s=120)

    simulated(story())

    with box.journal.read() as db:
        assert notices.deliveries(db, "ear")[2].attempts == 2
    assert heard_at[1] - heard_at[0] > 0.1


def test_a_wall_clock_set_back_delays_nothing_for_long() -> None:
    """Delays are kept as wall time; one that is longer than the longest is over."""
    box = Box()
    ear = Ear(lambda _, attempt: attempt == 1)

    async def story() -> None:
        await box.relay(ear, for_s=0.02, then=lambda: box.add("A012"))
        box.clock.set_by_ms -= 86_400_000
        await box.relay(ear, for_s=100)

    simulated(story())

    assert ear.heard == ["A012:j-2"] * 2


def test_patience_lasts_for_days_and_fills_no_history() -> None:
    """A receiver that is down from Friday to Monday is told; its failures are said more seldom."""
    box = Box()
    began_ms: list[int] = []

    def is_up(_notice: NoticeRow, _attempt: int) -> bool:
        began_ms.append(box.clock.utc_ms())
        return began_ms[-1] - began_ms[0] > 2.5 * 86_400_000

    ear = Ear(is_up, patience=DAYS)
    simulated(box.relay(ear, for_s=4 * 86_400, then=lambda: box.add("A012")))

    assert box.cursor() == 2
    assert 300 < len(ear.heard) < DAYS.attempts_max
    assert max(box.chance.asked) == DAYS.cap_s
    notes = box.notes("A012")
    assert notes[-1] == "told 2"
    assert len(notes) < 20


def test_a_wait_that_is_asked_for_is_kept_within_bounds() -> None:
    """Not before that; but a receiver that asks for a year is told within the hour."""
    box, at_s = Box(), list[float]()

    class Asking(Ear):
        async def deliver(self, notice: NoticeRow, path: str) -> Outcome:
            at_s.append(box.clock.monotonic_s())
            good = (await super().deliver(notice, path)).delivered
            return Outcome(good, "asked", least_wait_s=120.0 if len(at_s) == 1 else 1e9)

    ear = Asking(lambda _, attempt: attempt == 2, patience=DAYS)
    simulated(box.relay(ear, for_s=86_400, then=lambda: box.add("A012")))

    assert 120 <= at_s[1] - at_s[0] < 122
    assert DAYS.longest_s <= at_s[2] - at_s[1] < DAYS.longest_s + 2


def test_who_is_gone_is_told_no_more_until_a_restart_and_misses_nothing() -> None:
    """It is said for `syncd check`; others go on; the restarted relay begins where it was."""
    box = Box()

    class Gone(Ear):
        async def deliver(self, notice: NoticeRow, path: str) -> Outcome:
            await super().deliver(notice, path)
            return Outcome(delivered=False, note="gone (410)", is_gone=True)

    gone, well = Gone(), Ear(name="well")
    relay = Relay([gone, well], box.journal, box.ports)

    async def story() -> None:
        task = asyncio.create_task(relay.run())
        await asyncio.sleep(0.01)
        box.add("A012", "B007")
        await asyncio.sleep(7200)
        task.cancel()
        await asyncio.wait({task})
        again = asyncio.create_task(relay.run())  # as after an error of the journal
        await asyncio.sleep(7200)
        again.cancel()
        await asyncio.wait({again})

    simulated(story())
    assert gone.heard == ["A012:j-2"]
    assert well.heard == ["A012:j-2", "B007:j-4"]
    assert relay.problems() == {
        "ear": "It wants to be told no more: gone (410). Nothing is sent to it.",
        "well": "",
    }
    simulated(box.relay(ear := Ear()))
    assert sorted(ear.heard) == ["A012:j-2", "B007:j-4"]


def test_failures_in_a_row_are_a_problem_until_one_gets_through() -> None:
    """One or two are ordinary, and not worth a person's time."""
    box = Box()
    ear = Ear(lambda _, attempt: attempt == 5)
    relay = Relay([ear], box.journal, box.ports)
    seen: list[str] = []

    async def story() -> None:
        task = asyncio.create_task(relay.run())
        await asyncio.sleep(0.01)
        box.add("A012")
        while len(ear.heard) < 6:
            await asyncio.sleep(0.001)
            seen.append(relay.problems()["ear"])
        await asyncio.sleep(0.01)
        seen.append(relay.problems()["ear"])
        task.cancel()
        await asyncio.wait({task})

    simulated(story())
    assert list(dict.fromkeys(seen)) == [
        "",
        "The last 3 attempts failed: failed 2.",
        "The last 4 attempts failed: failed 2.",
        "The last 5 attempts failed: failed 2.",
    ]
    assert seen[-1] == ""


def test_a_new_subscriber_hears_only_what_is_new() -> None:
    """What was ready before it was configured is over."""
    box, ear = Box(), Ear()
    box.add("A012")
    simulated(box.relay(ear, then=lambda: box.add("B007")))

    assert ear.heard == ["B007:j-4"]


def test_old_notices_are_forgotten() -> None:
    """The outbox does not grow for ever."""
    box = Box()
    with box.journal.write() as db:
        for _ in range(20_050):
            notices.add(db, None, "hello", now_utc_ms=NOW)
    simulated(box.relay(for_s=1))

    with box.journal.read() as db:
        assert notices.oldest_seq(db) == 51
