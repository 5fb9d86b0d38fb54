"""The part of a NodeFacade that needs only the journal: rolls, their order, events.

Owns: finding the roll that a text names, and what rush, pause and go do to the journal; the
parts of the node hear of it from there. Must not: know HTTP, peers or lanes.
"""

import types
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

from syncd.bell import Bell
from syncd.board.astray import nowhere, waits_of
from syncd.board.facade import Sample
from syncd.board.listing import Listing
from syncd.board.shapes import box_to_go, fetch_json, is_late, roll_detail_json
from syncd.config.shapes import DestinationConfig
from syncd.errors import NotPossibleError, RollAmbiguousError, RollUnknownError
from syncd.journal import also, astray, history, leaving, looks, notices, rolls, same
from syncd.journal.journal import Connection, Journal
from syncd.journal.kept import KeptRolls
from syncd.journal.rolls import Origin, RollRow
from syncd.journal.rows import Gone
from syncd.notices.events import event_json
from syncd.ports import Clock, Disk
from syncd.roll.names import shown
from syncd.roll.stages import HeldCode, Stage, is_before

T = TypeVar("T")

_NAMED_MAX = 10
RANK_MIN = -1_000_000


class JournalAnswers:
    """Answers from a journal. Every method leaves the event loop free while the disk works."""

    def __init__(
        self,
        journal: Journal,
        *,
        clock: Clock,
        disk: Disk,
        destinations: Sequence[DestinationConfig] = (),
    ) -> None:
        self._journal = journal
        self._clock = clock
        self._disk = disk
        self._destinations = tuple(destinations)
        self._kept = KeptRolls(journal)
        self._listing = Listing()
        self._bells: set[Bell] = set()
        self._unsubscribe = journal.subscribe(self._ring)

    def close(self) -> None:
        """Hear no more of the journal."""
        self._unsubscribe()

    # Rolls

    async def rolls(self) -> bytes:
        """Return every roll, in the order in which they go; what is on the storage once, once."""

        def write() -> bytes:
            return self._listing.body(self._kept.listed(), self._clock.utc_ms(), self.waits)

        return await self._disk.aside(write)

    async def listed(self) -> tuple[RollRow, ...]:
        """Return the rows of the rolls that are listed, in that order."""
        return await self._disk.aside(self._kept.listed)

    def waits(self, row: RollRow) -> dict[str, str] | None:
        """Return what a roll waits for, with "code", "message" and "remedy"; a node knows more.

        None for one that is settled, whatever a node knows.
        """
        return waits_of(row, None)

    def destinations(self) -> list[DestinationConfig]:
        """Return where rolls go."""
        return list(self._destinations)

    async def roll(self, text: str) -> dict[str, Any]:
        """Return one roll with its history and destinations."""

        def look(db: Connection) -> dict[str, Any]:
            row = find_one(db, text)
            lines = history.read(db, row.roll_id)
            leaves = self.destinations() if row.origin is Origin.LANDING else ()
            now = self._clock.utc_ms()
            waits = self.waits(row)
            return roll_detail_json(row, lines, leaves, now_utc_ms=now, waits=waits)

        return await self._read(look)

    async def fetches(self) -> list[dict[str, Any]]:
        """Return the rolls that were asked for by `syncd fetch`, newest last."""
        now = self._clock.utc_ms()
        rows = await self._disk.aside(self._kept.all)
        fetched = [row for row in rows if row.origin is Origin.FETCH]
        fetched.sort(key=lambda row: row.arrived_utc_ms)
        return [fetch_json(row, now_utc_ms=now) for row in fetched]

    # Order

    async def rush(self, text: str) -> None:
        """Let the roll overtake all others: the smallest rank of all, less one."""

        def change(db: Connection) -> None:
            row = _still_under_way(find_one(db, text))
            others = looks.least_rank(db, but=row.roll_id)
            rank = row.rank if others is None else max(RANK_MIN, min(row.rank, others - 1))
            rolls.set_order(db, row.roll_id, rank=rank, now_utc_ms=self._clock.utc_ms())

        await self._write(change)

    async def set_order(
        self,
        text: str,
        rank: int | None = None,
        needed_by_utc_ms: int | types.EllipsisType | None = ...,
    ) -> None:
        """Give the roll another place by hand."""

        def change(db: Connection) -> None:
            row = _still_under_way(find_one(db, text))
            rolls.set_order(
                db,
                row.roll_id,
                rank=rank,
                needed_by_utc_ms=needed_by_utc_ms,
                now_utc_ms=self._clock.utc_ms(),
            )

        await self._write(change)

    async def pause(self, text: str | None) -> None:
        """Let the roll, or everything, wait."""

        def change(db: Connection) -> None:
            roll_id = None if text is None else _still_under_way(find_one(db, text)).roll_id
            rolls.set_paused(db, roll_id, True)

        await self._write(change)

    async def go(self, text: str | None) -> int:
        """Let the roll, or everything, go on: held rolls, and notices that could not be told.

        A roll that is gone from where it was published is handed over again, or, on the storage's
        box, put away. Returns how many such notices are tried again now.
        """
        source = "" if text is None else await self._source_again(text)

        def change(db: Connection) -> int:
            if text is None:
                rolls.set_paused(db, None, False)
                return notices.hasten(db)
            row = find_one(db, text)
            hastened = notices.hasten(db, roll_id=row.roll_id)
            box = box_to_go(row)
            if row.held is not None and box is not None:
                raise NotPossibleError(
                    f"{row.day}/{row.name} is held where it was published. {row.held.message}",
                    remedy=f"Once the cause is gone, say `syncd go {row.day}/{row.name}` on {box}.",
                )
            rolls.set_paused(db, row.roll_id, False)
            if row.gone is Gone.MISSED:
                leaving.end(db, row.roll_id, now_utc_ms=self._clock.utc_ms())
            elif row.astray is not None and row.held is None:
                now = self._clock.utc_ms()
                if row.origin is not Origin.LANDING:
                    astray.put_away(db, row, now_utc_ms=now)
                elif source:
                    astray.hand_over_again(db, row, source, now_utc_ms=now)
            elif _is_published_wrong(row):
                rolls.ask_reading(db, row.roll_id, True)  # held until it was found good
            else:
                now = self._clock.utc_ms()
                rolls.release(db, row.roll_id, now_utc_ms=now, by_hand=True)
            return hastened

        return await self._write(change)

    async def _source_again(self, text: str) -> str:
        """Return the folder from which a roll that is gone can be handed over; "" for any other.

        Raises NotPossibleError if there is none.
        """

        def look(db: Connection) -> tuple[RollRow, list[str]]:
            row = find_one(db, text)
            others = [other.source_path for other in also.of(db, row.roll_id)]
            return row, [each for each in (row.source_path, *others) if each]

        row, places = await self._read(look)
        if row.astray is None or row.held is not None or row.origin is not Origin.LANDING:
            return ""
        for place in places:
            if await self._disk.aside(self._is_folder, place):
                return place
        raise nowhere(row, places)

    def _is_folder(self, path: str) -> bool:
        try:
            self._disk.open_folder(path).close()
        except OSError:
            return False
        return True

    async def is_paused(self) -> bool:
        """Tell whether everything waits."""
        return await self._read(rolls.is_all_paused)

    # Events

    async def events_after(self, seq: int, limit: int) -> list[dict[str, Any]]:
        """Return the events after number seq, oldest first."""
        rows = await self._read(lambda db: notices.after(db, seq, limit=limit))
        return [event_json(row) for row in rows]

    async def last_seq(self) -> int:
        """Return the number of the newest event."""
        return await self._read(notices.last_seq)

    async def oldest_seq(self) -> int:
        """Return the number of the oldest event kept."""
        return await self._read(notices.oldest_seq)

    async def wait_for_events(self, seq: int, timeout_s: float) -> None:
        """Return when there is an event after seq, or after timeout_s."""
        ends_s = self._clock.monotonic_s() + timeout_s
        bell = Bell()
        self._bells.add(bell)
        try:
            while await self.last_seq() <= seq:
                left_s = ends_s - self._clock.monotonic_s()
                if left_s <= 0:
                    return
                await bell.wait(left_s)
        finally:
            self._bells.discard(bell)

    # Metrics

    async def roll_metrics(self) -> list[Sample]:
        """Return how many rolls are where, and how much of them is still to come."""
        rows = await self.listed()
        total = await self._read(notices.total)
        now = self._clock.utc_ms()
        open_rows = [row for row in rows if is_before(row.stage, Stage.LANDED)]
        waiting = sum(row.total_bytes - row.moved_bytes for row in open_rows)
        gone = sum(row.astray is not None and not row.put_away for row in rows)
        late = sum(is_late(row, now) for row in open_rows)
        stages = Counter(row.shown_stage for row in rows)
        codes = Counter(row.held.code for row in rows if row.held is not None)
        by_stage = [
            Sample(
                "syncd_rolls",
                stages[stage],
                "Rolls by stage.",
                labels={"stage": stage.value},
            )
            for stage in Stage
        ]
        by_code = [
            Sample(
                "syncd_held_rolls",
                codes[code],
                "Held rolls by reason.",
                labels={"code": code.value},
            )
            for code in HeldCode
        ]
        return [
            *by_stage,
            *by_code,
            Sample("syncd_gone_rolls", gone, "Rolls not where they were published, nor put away."),
            Sample("syncd_late_rolls", late, "Rolls that miss the time they are needed by."),
            Sample("syncd_waiting_bytes", waiting, "Bytes of known rolls not moved yet."),
            Sample("syncd_events_total", total, "Events so far.", "counter"),
        ]

    def _ring(self) -> None:
        for bell in tuple(self._bells):
            bell.ring()

    async def _read(self, look: Callable[[Connection], T]) -> T:
        def work() -> T:
            with self._journal.read() as db:
                return look(db)

        return await self._disk.aside(work)

    async def _write(self, change: Callable[[Connection], T]) -> T:
        def work() -> T:
            with self._journal.write() as db:
                return change(db)

        return await self._disk.aside(work)


def find_one(db: Connection, text: str) -> RollRow:
    """Return the roll that text names. Raises RollUnknownError or RollAmbiguousError."""
    found = _once(db, rolls.find(db, text))
    # What has left the lists, and has this name, is meant only if nothing else is.
    found = [row for row in found if row.is_listed] or _once(db, also.find(db, text)) or found
    if not found:
        raise RollUnknownError(
            f'No roll answers to "{shown(text)}".', remedy="See which there are: syncd rolls"
        )
    if len(found) > 1:
        named = ", ".join(f"{row.day}/{row.name} ({row.roll_id})" for row in found[:_NAMED_MAX])
        is_one_name = len({(row.day, row.name) for row in found}) == 1
        raise RollAmbiguousError(
            f'"{shown(text)}" may be any of {len(found)} rolls: {named}.',
            remedy="Say the id in brackets." if is_one_name else "Say DAY/ROLL, or the id.",
        )
    return found[0]


def _is_published_wrong(row: RollRow) -> bool:
    """Tell whether a roll was published here, and a file of it found wrong since, or unreadable."""
    if row.held is None or row.origin is not Origin.PEER or is_before(row.stage, Stage.LANDED):
        return False
    return row.stage is Stage.LANDED or row.held.code is HeldCode.READ_BACK_MISMATCH


def _once(db: Connection, rows: list[RollRow]) -> list[RollRow]:
    """Return rows, in place of each that is no roll of its own the one that it leads to; once."""
    led = (same.leads_to(db, row) for row in rows)
    return list({row.roll_id: row for row in led}.values())


def _still_under_way(row: RollRow) -> RollRow:
    if not is_before(row.stage, Stage.LANDED):
        raise NotPossibleError(
            f"{row.day}/{row.name} has arrived already: it is {row.stage.value}.",
            remedy="Only a roll that is still on its way has a place: syncd rolls",
        )
    return row
