"""The relay: brings the journal's notices to each subscriber at least once, in order per roll.

Owns: who is served up to where, attempts and their delays, when a delivery is given up.
Must not: know how a subscriber is told, or make notices other than about deliveries.

Every subscriber has a task and a cursor of its own, so that a dead one holds up nobody else. While
one roll's notice waits for its next attempt, other rolls' notices pass it. An attempt is recorded
after it was made: after a crash in between, it is made again, under the same notice id.
Delays have full jitter: between 0 and base x 2^attempt, capped ("Exponential Backoff And
Jitter", AWS Architecture Blog).
"""

import asyncio
import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from syncd.bell import Bell
from syncd.journal import notices, rolls
from syncd.journal.journal import Connection, Journal
from syncd.journal.notices import Delivery, NoticeRow
from syncd.journal.rolls import RollRow
from syncd.limits import (
    FAILURES_SAID_AFTER,
    NOTICE_RETRY_BASE_S,
    NOTICE_WINDOW,
    NOTICES_KEPT,
    NOTICES_PRUNE_EVERY_S,
)
from syncd.notices.subscriber import Outcome, Subscriber
from syncd.ports import Ports

_log = logging.getLogger(__name__)

DELIVERY_KIND = "delivery"
_DOUBLINGS_MAX = 30
_EACH_SAID_MAX = 10  # failed attempts; later ones say no more, and would fill the history


@dataclass(frozen=True, slots=True)
class _Next:
    """What to do for one subscriber: an attempt now, or a wait (None: until something happens)."""

    notice: NoticeRow | None = None
    path: str = ""
    attempts: int = 0
    wait_s: float | None = None


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
        self._gone: dict[str, str] = {}

    async def run(self) -> None:
        """Serve until cancelled; an attempt under way is then cancelled, and made again later."""
        async with asyncio.TaskGroup() as group:
            group.create_task(self._forget_old(), name="notices-pruning")
            for subscriber in self._subscribers:
                group.create_task(self._serve(subscriber), name=f"notices-{subscriber.name}")

    def problems(self) -> dict[str, str]:
        """Return, by name of the subscriber, what keeps it from being told; "" if nothing does."""
        found = {subscriber.name: "" for subscriber in self._subscribers}
        for name, (count, note) in self._failures.items():
            if count >= FAILURES_SAID_AFTER:
                found[name] = f"The last {count} attempts failed: {note}."
        for name, note in self._gone.items():
            found[name] = f"It wants to be told no more: {note}. Nothing is sent to it."
        return found

    async def _serve(self, subscriber: Subscriber) -> None:
        bell = Bell()
        unsubscribe = self._journal.subscribe(bell.ring)
        try:
            await self._ports.disk.aside(self._begin, subscriber)
            while subscriber.name not in self._gone:
                step = await self._ports.disk.aside(self._look, subscriber)
                if step.notice is None:
                    await bell.wait(step.wait_s)
                    continue
                outcome = await self._attempt(subscriber, step.notice, step.path)
                await self._ports.disk.aside(self._record, subscriber, step, outcome)
                self._remember(subscriber, outcome)
        finally:
            unsubscribe()

    def _remember(self, subscriber: Subscriber, outcome: Outcome) -> None:
        if outcome.delivered:
            self._failures.pop(subscriber.name, None)
            return
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

    def _prune(self) -> None:
        with self._journal.write() as db:
            notices.prune(db, NOTICES_KEPT)

    def _begin(self, subscriber: Subscriber) -> None:
        with self._journal.write() as db:
            notices.begin(db, subscriber.name)

    def _look(self, subscriber: Subscriber) -> _Next:
        """Return the oldest notice that is due and not behind another of its roll."""
        now = self._ports.clock.utc_ms()
        wait_s: float | None = None
        behind: set[str | None] = set()
        with self._journal.read() as db:
            for notice, delivery in _unsettled(db, subscriber):
                if notice.roll_id in behind:
                    continue
                left_s = (delivery.next_at_utc_ms - now) / 1000
                # A delay longer than the longest: the wall clock was set back.
                if left_s <= 0 or left_s > subscriber.patience.longest_s:
                    path = self._path(db, notice)
                    return _Next(notice, path, delivery.attempts)
                behind.add(notice.roll_id)
                wait_s = left_s if wait_s is None else min(wait_s, left_s)
        return _Next(wait_s=wait_s)

    def _path(self, db: Connection, notice: NoticeRow) -> str:
        roll = rolls.get(db, notice.roll_id) if notice.roll_id else None
        return "" if roll is None else self._path_of(roll)

    def _record(self, subscriber: Subscriber, step: _Next, outcome: Outcome) -> None:
        assert step.notice is not None, "only attempts are recorded"
        delivery = self._after_attempt(subscriber, step, outcome)
        with self._journal.write() as db:
            notices.record_attempt(db, delivery)
            self._say(db, step.notice, delivery, outcome)
            notices.set_cursor(db, subscriber.name, _served_up_to(db, subscriber))

    def _after_attempt(self, subscriber: Subscriber, step: _Next, outcome: Outcome) -> Delivery:
        assert step.notice is not None, "only attempts are recorded"
        attempts = step.attempts + 1
        now = self._ports.clock.utc_ms()
        patience = subscriber.patience
        if outcome.delivered or attempts >= patience.attempts_max:
            told = notices.OUTCOME_DELIVERED if outcome.delivered else notices.OUTCOME_GIVEN_UP
            return Delivery(subscriber.name, step.notice.seq, attempts, now, told)
        longest_s = min(patience.cap_s, NOTICE_RETRY_BASE_S * 2 ** min(attempts, _DOUBLINGS_MAX))
        delay_s = self._ports.chance.uniform(0.0, longest_s)
        delay_s = max(delay_s, min(outcome.least_wait_s, patience.longest_s))
        return Delivery(subscriber.name, step.notice.seq, attempts, now + round(delay_s * 1000))

    def _say(self, db: Connection, notice: NoticeRow, delivery: Delivery, outcome: Outcome) -> None:
        """Write what came of it into the roll's history, if there is something to say."""
        given_up = delivery.outcome == notices.OUTCOME_GIVEN_UP
        text = outcome.note or (f"{delivery.subscriber} could not be told" if given_up else "")
        if given_up:
            text += f" (given up after {delivery.attempts} attempts)"
        if not (outcome.delivered or given_up or is_worth_saying(delivery.attempts)):
            return
        if not text or notice.roll_id is None or rolls.get(db, notice.roll_id) is None:
            return
        data = {
            "subscriber": delivery.subscriber,
            "notice_id": notice.notice_id,
            "attempts": delivery.attempts,
            "outcome": delivery.outcome or "retrying",
        }
        now = self._ports.clock.utc_ms()
        rolls.note(db, notice.roll_id, text, now_utc_ms=now, kind=DELIVERY_KIND, data=data)


def is_worth_saying(attempts: int) -> bool:
    """Tell whether this failed attempt gets a line: the first ones, then each power of two."""
    return attempts <= _EACH_SAID_MAX or attempts & (attempts - 1) == 0


def _unsettled(db: Connection, subscriber: Subscriber) -> list[tuple[NoticeRow, Delivery]]:
    """Return the notices still to be delivered, oldest first, within the window."""
    known = notices.deliveries(db, subscriber.name)
    found = [
        (notice, known.get(notice.seq, Delivery(subscriber.name, notice.seq)))
        for notice in _window(db, subscriber)
    ]
    return [pair for pair in found if pair[1].outcome == notices.OUTCOME_WAITING]


def _window(db: Connection, subscriber: Subscriber) -> list[NoticeRow]:
    # News of deliveries is delivered to nobody: it would make news of deliveries.
    kinds = set(subscriber.kinds) - {DELIVERY_KIND}
    after = notices.cursor(db, subscriber.name)
    return notices.after(db, after, limit=NOTICE_WINDOW, kinds=kinds)


def _served_up_to(db: Connection, subscriber: Subscriber) -> int:
    """Return the last seq before the first notice that is still to be delivered."""
    waiting = _unsettled(db, subscriber)
    if waiting:
        return waiting[0][0].seq - 1
    window = _window(db, subscriber)
    return window[-1].seq if window else notices.cursor(db, subscriber.name)
