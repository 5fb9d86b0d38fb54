"""The relay: brings the journal's notices to each subscriber at least once, in order per roll.

Owns: who is served up to where, attempts and their delays.
Must not: know how a subscriber is told, or make notices other than about deliveries.

Every subscriber has a task and a cursor of its own, so that a dead one holds up nobody else. While
one roll's notice waits for its next attempt, other rolls' notices pass it, however long that takes;
those of the same roll wait behind it. A subscriber that asks for time (Retry-After) is told nothing
meanwhile, of whichever roll. Of what is due, what failed least often goes first: a command that
hangs on one roll until its time limit must not keep all others waiting.
Nothing is given up. Who says `syncd go`, or starts syncd anew, does not wait for the delay. It is
over when the wall clock says so (which goes on while a box sleeps) or the monotonic one (which
nobody sets back).
An attempt is recorded after it was made: after a crash in between, it is made again, under the same
notice id. Delays have full jitter: between 0 and base x 2^attempt, capped ("Exponential Backoff
And Jitter", AWS Architecture Blog).
"""

import asyncio
import logging
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

from syncd.bell import Bell
from syncd.counted import counted
from syncd.journal import notices, rolls
from syncd.journal.journal import Connection, Journal
from syncd.journal.notices import Delivery, NoticeRow
from syncd.journal.rolls import RollRow
from syncd.limits import (
    FAILURES_SAID_AFTER,
    NOTICE_OFTEN_ATTEMPTS,
    NOTICE_RETRY_BASE_S,
    NOTICE_RETRY_CAP_S,
    NOTICE_RETRY_SELDOM_S,
    NOTICES_FAILING_SAID_MAX,
    NOTICES_KEPT,
    NOTICES_PRUNE_EVERY_S,
    NOTICES_UNTOLD_MAX,
    RETRY_AFTER_S_MAX,
)
from syncd.notices.subscriber import Outcome, Subscriber
from syncd.ports import Ports

_log = logging.getLogger(__name__)

DELIVERY_KIND = "delivery"
_EACH_SAID_MAX = 10  # failed attempts; later ones say no more, and would fill the history


@dataclass(frozen=True, slots=True)
class _Next:
    """What to do for one subscriber: an attempt now, or a wait (None: until something happens)."""

    notice: NoticeRow | None = None
    path: str = ""
    attempts: int = 0
    wait_s: float | None = None


@dataclass(frozen=True, slots=True)
class _Failing:
    """A notice that could not be told for a while."""

    about: str
    attempts: int
    note: str


def path_here(roll: RollRow) -> str:
    """Where a roll lies here: where it was published, else where it came from."""
    return roll.published_path or roll.source_path or ""


class Relay:
    """Serves all subscribers until cancelled.

    path_of: tells the path that subscribers are given for a roll.
    """

    def __init__(
        self,
        subscribers: Sequence[Subscriber],
        journal: Journal,
        ports: Ports,
        *,
        path_of: Callable[[RollRow], str] = path_here,
    ) -> None:
        names = [subscriber.name for subscriber in subscribers]
        assert len(set(names)) == len(names), "subscribers have names of their own"
        self._subscribers = tuple(subscribers)
        self._journal = journal
        self._ports = ports
        self._path_of = path_of
        self._failures: dict[str, tuple[int, str]] = {}  # in a row, and what came of the last
        self._failing: dict[str, dict[int, _Failing]] = {name: {} for name in names}
        self._gone: dict[str, str] = {}
        self._due_s: dict[tuple[str, int], float] = {}  # monotonic; of what failed since the start
        self._alone_s: dict[str, float] = {}  # monotonic; until when who asked for it is left alone
        self._has_begun = False

    async def run(self) -> None:
        """Serve until cancelled; an attempt under way is then cancelled, and made again later."""
        await self._ports.disk.aside(self._begin)
        async with asyncio.TaskGroup() as group:
            group.create_task(self._forget_old(), name="notices-pruning")
            for subscriber in self._subscribers:
                group.create_task(self._serve(subscriber), name=f"notices-{subscriber.name}")

    def problems(self) -> dict[str, str]:
        """Return, by name of the subscriber, what keeps it from being told; "" if nothing does."""
        found = {subscriber.name: "" for subscriber in self._subscribers}
        for name, failing in self._failing.items():
            found[name] = _said_of(list(failing.values()))
        for name, (count, note) in self._failures.items():
            if count >= FAILURES_SAID_AFTER:
                found[name] = f"The last {count} attempts failed: {note}."
        for name, note in self._gone.items():
            found[name] = f"It wants to be told no more: {note}. Nothing is sent to it."
        return found

    def is_gone(self, name: str) -> bool:
        """Tell whether a subscriber asked to be told no more: it is not asked before a restart."""
        return name in self._gone

    async def _serve(self, subscriber: Subscriber) -> None:
        bell = Bell()
        unsubscribe = self._journal.subscribe(bell.ring)
        try:
            while subscriber.name not in self._gone:
                step = await self._ports.disk.aside(self._look, subscriber)
                if step.notice is None:
                    await bell.wait(step.wait_s)
                    continue
                outcome = await self._attempt(subscriber, step.notice, step.path)
                await self._ports.disk.aside(self._record, subscriber, step, outcome)
                self._remember(subscriber, step, outcome)
        finally:
            unsubscribe()

    def _remember(self, subscriber: Subscriber, step: _Next, outcome: Outcome) -> None:
        assert step.notice is not None, "only attempts are remembered"
        failing = self._failing[subscriber.name]
        if outcome.delivered:
            self._failures.pop(subscriber.name, None)
            failing.pop(step.notice.seq, None)
            self._due_s.pop((subscriber.name, step.notice.seq), None)
            return
        attempts = step.attempts + 1
        has_room = step.notice.seq in failing or len(failing) < NOTICES_FAILING_SAID_MAX
        if attempts >= FAILURES_SAID_AFTER and has_room:
            failing[step.notice.seq] = _Failing(_about(step.notice), attempts, outcome.note)
        count, _ = self._failures.get(subscriber.name, (0, ""))
        self._failures[subscriber.name] = (count + 1, outcome.note)
        if outcome.is_gone:
            _log.warning("%s wants to be told no more: %s", subscriber.name, outcome.note)
            self._gone[subscriber.name] = outcome.note

    async def _forget_old(self) -> None:
        while True:
            await self._ports.disk.aside(self._prune)
            await self._ports.clock.sleep(NOTICES_PRUNE_EVERY_S)

    async def _attempt(self, subscriber: Subscriber, notice: NoticeRow, path: str) -> Outcome:
        try:
            return await subscriber.deliver(notice, path)
        except Exception as error:  # noqa: BLE001  (logged, and tried again)
            # A mistake in one way of telling must not end the others, nor the hand-off.
            _log.exception("%s failed on notice %s", subscriber.name, notice.notice_id)
            return Outcome(delivered=False, note=f"{subscriber.name}: {error!r}")

    # Beside the event loop

    def _begin(self) -> None:
        with self._journal.write() as db:
            for subscriber in self._subscribers:
                notices.begin(db, subscriber.name)
                if not self._has_begun:  # not each time that the journal's disk failed
                    notices.hasten(db, subscriber=subscriber.name)
        self._has_begun = True

    def _prune(self) -> None:
        """Forget what is old; what somebody is still to be told stays longer, but not for ever."""
        with self._journal.write() as db:
            newest = notices.last_seq(db)
            last_gone, lost = newest - NOTICES_KEPT, newest - NOTICES_UNTOLD_MAX
            for subscriber in self._subscribers:
                waiting = notices.heads(db, subscriber.name, _kinds(subscriber))
                if waiting:
                    last_gone = min(last_gone, waiting[0].seq - 1)
                self._lose(db, [head for head in waiting if head.seq <= lost])
            notices.prune(db, max(last_gone, lost))

    def _lose(self, db: Connection, heads: Sequence[Delivery]) -> None:
        """Say which notices are kept no longer, although a subscriber was not told."""
        for head in heads:
            (notice,) = notices.after(db, head.seq - 1, limit=1)
            note = f"{head.subscriber} was not told: too much has happened since"
            _log.error("%s: %s, after %d attempts", note, _about(notice), head.attempts)
            self._note(db, notice, replace(head, outcome=notices.OUTCOME_LOST), note)
            self._due_s.pop((head.subscriber, head.seq), None)

    def _look(self, subscriber: Subscriber) -> _Next:
        """Return the notice that is due and failed least often, the oldest of such."""
        with self._journal.read() as db:
            heads = notices.heads(db, subscriber.name, _kinds(subscriber))
            alone_s = self._alone_for_s(db, subscriber)
            left_s = {head.seq: max(alone_s, self._left_s(head)) for head in heads}
            due = [head for head in heads if left_s[head.seq] <= 0]
            if not due:
                return _Next(wait_s=min(left_s.values(), default=None))
            head = min(due, key=lambda head: (head.attempts, head.seq))
            (notice,) = notices.after(db, head.seq - 1, limit=1)
            return _Next(notice, self._path(db, notice), head.attempts)

    def _left_s(self, head: Delivery) -> float:
        """Return for how long its next attempt waits, 0.0 if it is due."""
        # What is not known here failed before the start, and was let go on by it.
        return self._still_s(self._due_s.get((head.subscriber, head.seq), 0), head.next_at_utc_ms)

    def _alone_for_s(self, db: Connection, subscriber: Subscriber) -> float:
        """Return for how long the subscriber wants to be told nothing, 0.0 if it does not."""
        until_utc_ms = notices.left_alone_until(db, subscriber.name)
        return self._still_s(self._alone_s.get(subscriber.name, 0), until_utc_ms)

    def _still_s(self, due_s: float, due_utc_ms: int) -> float:
        clock = self._ports.clock
        return max(0.0, min(due_s - clock.monotonic_s(), (due_utc_ms - clock.utc_ms()) / 1000))

    def _path(self, db: Connection, notice: NoticeRow) -> str:
        roll = rolls.get(db, notice.roll_id) if notice.roll_id else None
        return "" if roll is None else self._path_of(roll)

    def _record(self, subscriber: Subscriber, step: _Next, outcome: Outcome) -> None:
        assert step.notice is not None, "only attempts are recorded"
        delivery = self._after_attempt(subscriber, step, outcome)
        with self._journal.write() as db:
            notices.record_attempt(db, delivery)
            if outcome.least_wait_s > 0:
                self._leave_alone(db, subscriber, min(outcome.least_wait_s, RETRY_AFTER_S_MAX))
            self._say(db, step.notice, delivery, outcome)
            served = notices.served_up_to(db, subscriber.name, _kinds(subscriber))
            notices.set_cursor(db, subscriber.name, served)

    def _after_attempt(self, subscriber: Subscriber, step: _Next, outcome: Outcome) -> Delivery:
        assert step.notice is not None, "only attempts are recorded"
        attempts = step.attempts + 1
        now = self._ports.clock.utc_ms()
        if outcome.delivered:
            told = notices.OUTCOME_DELIVERED
            return Delivery(subscriber.name, step.notice.seq, attempts, now, told)
        delay_s = self._ports.chance.uniform(0.0, cap_s(attempts))
        due_s = self._ports.clock.monotonic_s() + delay_s
        self._due_s[subscriber.name, step.notice.seq] = due_s
        return Delivery(subscriber.name, step.notice.seq, attempts, now + round(delay_s * 1000))

    def _leave_alone(self, db: Connection, subscriber: Subscriber, wait_s: float) -> None:
        """Let all notices wait: it is the receiver that is busy, whatever it is told."""
        clock = self._ports.clock
        self._alone_s[subscriber.name] = clock.monotonic_s() + wait_s
        notices.leave_alone(db, subscriber.name, clock.utc_ms() + round(wait_s * 1000))

    def _say(self, db: Connection, notice: NoticeRow, delivery: Delivery, outcome: Outcome) -> None:
        """Write what came of it into the roll's history, if there is something to say."""
        if outcome.note and (outcome.delivered or is_worth_saying(delivery.attempts)):
            self._note(db, notice, delivery, outcome.note)

    def _note(self, db: Connection, notice: NoticeRow, delivery: Delivery, note: str) -> None:
        if notice.roll_id is None or rolls.get(db, notice.roll_id) is None:
            return
        data = {
            "subscriber": delivery.subscriber,
            "notice_id": notice.notice_id,
            "attempts": delivery.attempts,
            "outcome": delivery.outcome or "retrying",
        }
        now = self._ports.clock.utc_ms()
        rolls.note(db, notice.roll_id, note, now_utc_ms=now, kind=DELIVERY_KIND, data=data)


def is_worth_saying(attempts: int) -> bool:
    """Tell whether this failed attempt gets a line: the first ones, then each power of two."""
    return attempts <= _EACH_SAID_MAX or attempts & (attempts - 1) == 0


def cap_s(attempts: int) -> float:
    """Return the longest delay after so many failed attempts."""
    if attempts >= NOTICE_OFTEN_ATTEMPTS:
        return NOTICE_RETRY_SELDOM_S
    return min(NOTICE_RETRY_CAP_S, NOTICE_RETRY_BASE_S * 2.0**attempts)


def _kinds(subscriber: Subscriber) -> Collection[str]:
    # News of deliveries is delivered to nobody: it would make news of deliveries.
    return set(subscriber.kinds) - {DELIVERY_KIND}


def _about(notice: NoticeRow) -> str:
    roll = notice.body.get("roll") or {}
    return str(roll.get("name") or notice.kind)


def _said_of(failing: Sequence[_Failing]) -> str:
    """Return a sentence on what cannot be told, "" if there is nothing."""
    if not failing:
        return ""
    last = failing[-1]
    others = f" {counted(len(failing) - 1, 'other notice')} failed as well." if failing[1:] else ""
    return f"{last.attempts} attempts for {last.about} failed: {last.note}.{others}"
