"""The relay on simulated time: at least once, in order per roll, nobody held up by another."""

import asyncio
import random
from collections.abc import Callable, Collection, Coroutine
from contextlib import suppress
from dataclasses import replace
from typing import Any, TypeVar, cast

import pytest

from syncd.journal import history, notices, rolls
from syncd.journal.journal import Journal
from syncd.journal.notices import Delivery, NoticeRow
from syncd.limits import NOTICE_OFTEN_ATTEMPTS, NOTICE_RETRY_CAP_S
from syncd.notices import outbox
from syncd.notices.outbox import Relay
from syncd.notices.subscriber import Outcome
from syncd.ports import Disk, Lines, Ports
from tests.faults.virtual_time import run_simulated
from tests.journal.samples import NOW, add

Patch = pytest.MonkeyPatch

T = TypeVar("T")
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
            lines = history.read(db, rolls.find(db, name)[0].roll_id)
        return [line.note for line in lines if line.note]

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
    ) -> None:
        self.name, self.kinds = name, kinds
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
    """With full jitter: between 0 and 1 s x 2^attempt, at most 900 s (AWS Architecture Blog)."""
    box = Box()
    ear = Ear(lambda _, attempt: attempt == 12)
    simulated(box.relay(ear, for_s=10_000, then=lambda: box.add("A012")))

    assert ear.heard == ["A012:j-2"] * 13
    assert box.chance.asked == [2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900, 900]
    assert box.notes("A012") == ["failed 2"] * 10 + ["told 2"]
    assert box.cursor() == 2


def test_order_is_kept_within_a_roll_while_others_pass() -> None:
    """What failed holds up its own roll only, until it gets through."""
    box = Box()
    ear = Ear(lambda notice, attempt: notice.seq != 2 or attempt == 2)
    simulated(box.relay(ear, then=lambda: box.add("A012", "B007", "A012")))

    assert ear.heard == ["A012:j-2", "B007:j-4", "A012:j-2", "A012:j-2", "A012:j-5"]
    assert box.cursor() == 5


def test_nothing_is_given_up_and_later_news_of_the_roll_waits_behind(monkeypatch: Patch) -> None:
    """After three days it is tried more seldom; it is told in the end, and in order."""
    monkeypatch.setattr(outbox, "NOTICE_OFTEN_ATTEMPTS", 12)
    box = Box()
    ear = Ear(lambda _, attempt: attempt >= 40)
    simulated(box.relay(ear, for_s=900_000, then=lambda: box.add("A012", "A012")))

    assert ear.heard[:41] == ["A012:j-2"] * 41
    assert set(ear.heard[41:]) == {"A012:j-3"}
    assert box.chance.asked[11:40] == [21_600.0] * 29
    assert box.cursor() == 3


def test_a_roll_that_cannot_be_told_holds_up_no_other_for_days() -> None:
    """However many others there are meanwhile; and what was told is not told again."""
    box = Box()
    ear = Ear(lambda notice, _: notice.seq != 2)
    names = [f"B{number:03}" for number in range(300)]
    simulated(box.relay(ear, for_s=86_400, then=lambda: box.add("A012", *names)))

    told = [said.partition(":")[0] for said in ear.heard if not said.startswith("A012")]
    assert told == names
    assert box.cursor() == 1
    box.add("C001")
    simulated(box.relay(again := Ear()))
    assert [said.partition(":")[0] for said in again.heard] == ["C001", "A012"]


def test_commands_that_hang_on_some_rolls_leave_others_their_turn() -> None:
    """Two that take ten minutes each are always due again: what is new goes before them."""
    box, waited_s, said_at_s = Box(), dict[str, float](), 0.0

    class Slow(Ear):
        async def deliver(self, notice: NoticeRow, path: str) -> Outcome:
            name = notice.body["roll"]["name"]
            outcome = await super().deliver(notice, path)
            if outcome.delivered:
                waited_s[name] = box.clock.monotonic_s() - said_at_s
            else:
                await asyncio.sleep(600)
            return outcome

    relay = Relay(
        [Slow(lambda notice, _: notice.body["roll"]["name"][0] == "B")], box.journal, box.ports
    )

    async def story() -> None:
        nonlocal said_at_s
        task = asyncio.create_task(relay.run())
        await asyncio.sleep(0.01)
        box.add("A012", "A013", "A014", "A015")
        for number in range(10):
            await asyncio.sleep(3600)
            said_at_s = box.clock.monotonic_s()
            box.add(f"B{number:03}")
        await asyncio.sleep(3600)
        task.cancel()
        await asyncio.wait({task})

    simulated(story())
    assert len(waited_s) == 10
    assert max(waited_s.values()) < 601


def test_go_and_a_start_wait_for_no_delay() -> None:
    """Somebody has mended it; a relay that only begins again after an error keeps its delays."""
    box, ear, counts, ear_seq = Box(), Ear(lambda *_: False), list[int](), 4

    def wait_long() -> None:
        with box.journal.write() as db:
            notices.record_attempt(db, Delivery("ear", ear_seq, 20, box.clock.utc_ms() + 800_000))

    def go() -> None:
        with box.journal.write() as db:
            notices.hasten(db, roll_id=rolls.find(db, "A012")[0].roll_id)

    async def story() -> None:
        box.add("B007")
        await box.relay(ear, for_s=0.02, then=lambda: box.add("A012"))
        relay = Relay([ear], box.journal, box.ports)
        for then in (None, wait_long, go, wait_long):
            wait_long()
            task = asyncio.create_task(relay.run())
            await asyncio.sleep(0.01)
            if then is not None:
                then()
            await asyncio.sleep(0.01)
            task.cancel()
            await asyncio.wait({task})
            counts.append(len(ear.heard))

    simulated(story())

    assert counts == [2, 2, 3, 3], "at the start, and at go"


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
    assert len(failing.heard) > 20
    assert len(raising.heard) > 20
    assert len(hanging.heard) == 1


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


@pytest.mark.parametrize("back_s", [1800, 86_400])
def test_a_wall_clock_set_back_delays_nothing(back_s: int) -> None:
    """What waits for its next attempt is not told later because somebody set the clock back."""
    box = Box()
    ear = Ear(lambda _, attempt: attempt == 1)

    async def set_back() -> None:
        await asyncio.sleep(0.02)
        box.clock.set_by_ms -= back_s * 1000

    async def story() -> None:
        async with asyncio.TaskGroup() as group:
            group.create_task(box.relay(ear, for_s=100, then=lambda: box.add("A012")))
            group.create_task(set_back())

    simulated(story())

    assert ear.heard == ["A012:j-2"] * 2


def test_a_wall_clock_that_went_on_alone_ends_a_delay() -> None:
    """A box that slept tells at once what waited: monotonic time stands still meanwhile."""
    box, at_s = Box(), list[float]()

    class Asking(Ear):
        async def deliver(self, notice: NoticeRow, path: str) -> Outcome:
            at_s.append(box.clock.monotonic_s())
            good = (await super().deliver(notice, path)).delivered
            return Outcome(good, "asked", least_wait_s=0.0 if good else 3000.0)

    ear = Asking(lambda notice, attempt: notice.seq != 2 or attempt == 1)

    def add_and_sleep() -> None:
        box.add("A012")
        asyncio.get_running_loop().call_later(5, sleep)

    def sleep() -> None:
        box.clock.set_by_ms += 3_600_000
        box.add("A013")  # anything that makes the relay look again

    simulated(box.relay(ear, for_s=100, then=add_and_sleep))

    assert at_s[-1] - at_s[0] < 10
    assert ear.heard.count("A012:j-2") == 2


def test_patience_lasts_for_days_and_fills_no_history() -> None:
    """A receiver that is down from Friday to Monday is told; its failures are said more seldom."""
    box = Box()
    began_ms: list[int] = []

    def is_up(_notice: NoticeRow, _attempt: int) -> bool:
        began_ms.append(box.clock.utc_ms())
        return began_ms[-1] - began_ms[0] > 2.5 * 86_400_000

    ear = Ear(is_up)
    simulated(box.relay(ear, for_s=4 * 86_400, then=lambda: box.add("A012")))

    assert box.cursor() == 2
    assert 300 < len(ear.heard) < NOTICE_OFTEN_ATTEMPTS
    assert max(box.chance.asked) == NOTICE_RETRY_CAP_S
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

    ear = Asking(lambda _, attempt: attempt == 2)
    simulated(box.relay(ear, for_s=86_400, then=lambda: box.add("A012")))

    assert 120 <= at_s[1] - at_s[0] < 122
    assert 3600 <= at_s[2] - at_s[1] < 3602


def test_who_asks_for_time_gets_it_for_every_roll_and_others_wait_for_nothing() -> None:
    """Also for what comes meanwhile; then in order per roll; `syncd go` of any roll ends it."""
    box, at_s = Box(), dict[str, list[float]]()

    class Asking(Ear):
        async def deliver(self, notice: NoticeRow, path: str) -> Outcome:
            outcome = await super().deliver(notice, path)
            at_s.setdefault(self.name, []).append(box.clock.monotonic_s())
            return replace(outcome, least_wait_s=0.0 if outcome.delivered else 60.0)

    def go() -> None:
        with box.journal.write() as db:
            notices.hasten(db, roll_id=rolls.find(db, "B007")[0].roll_id)

    busy = Asking(lambda notice, attempt: notice.seq != 2 or attempt == 2, name="busy")
    well = Asking(name="well")

    async def story() -> None:
        task = asyncio.create_task(Relay([busy, well], box.journal, box.ports).run())
        await asyncio.sleep(0.01)
        box.add("A012", "B007", "A012")
        await asyncio.sleep(30)
        box.add("C001")
        await asyncio.sleep(60)
        assert len(at_s["busy"]) == 4
        go()
        await asyncio.sleep(1)
        task.cancel()
        await asyncio.wait({task})

    simulated(story())

    first_s, *later_s = at_s["busy"]
    assert min(later_s) >= first_s + 60
    assert [said for said in busy.heard if said[0] == "A"] == ["A012:j-2"] * 3 + ["A012:j-5"]
    assert [said[:4] for said in well.heard] == ["A012", "B007", "A012", "C001"]
    assert at_s["well"][2] < first_s + 1


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
    assert [relay.is_gone(name) for name in ("ear", "well")] == [True, False]
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


def test_a_roll_that_always_fails_is_named_although_others_get_through() -> None:
    """`syncd check` says which, how often, and with what; until it gets through."""
    box = Box()
    ear = Ear(lambda notice, attempt: notice.seq != 2 or attempt == 5)
    relay = Relay([ear], box.journal, box.ports)
    seen: list[str] = []

    async def story() -> None:
        task = asyncio.create_task(relay.run())
        await asyncio.sleep(0.01)
        box.add("A012", "B007")
        while "A012" not in relay.problems()["ear"]:
            await asyncio.sleep(0.1)
            box.add("B007")
            await asyncio.sleep(0.1)
        seen.append(relay.problems()["ear"])
        await asyncio.sleep(3600)
        seen.append(relay.problems()["ear"])
        task.cancel()
        await asyncio.wait({task})

    simulated(story())
    assert seen == ["3 attempts for A012 failed: failed 2.", ""]


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


def test_what_somebody_is_still_to_be_told_is_kept_and_its_end_is_said(
    monkeypatch: Patch, caplog: pytest.LogCaptureFixture
) -> None:
    """Beyond the ordinary number; where even that is too much, roll and log say what was lost."""
    monkeypatch.setattr(outbox, "NOTICES_KEPT", 50)
    monkeypatch.setattr(outbox, "NOTICES_UNTOLD_MAX", 100)
    box = Box()

    def much(count: int) -> None:
        with box.journal.write() as db:
            for _ in range(count):
                notices.add(db, None, "hello", now_utc_ms=NOW)

    def oldest() -> int:
        with box.journal.read() as db:
            return notices.oldest_seq(db)

    deaf = Ear(lambda *_: False)
    simulated(box.relay(deaf, for_s=0.02, then=lambda: box.add("A012")))
    much(80)
    simulated(box.relay(Ear(lambda *_: False), for_s=0.02))
    assert oldest() == 2
    assert not caplog.messages

    much(100)
    simulated(box.relay(again := Ear(), for_s=1))

    assert again.heard == []
    assert box.notes("A012")[-1] == "ear was not told: too much has happened since"
    assert "ear was not told: too much has happened since: A012, after 2 attempts" in caplog.text
