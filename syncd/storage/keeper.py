"""The keeper of a storage: proves what has come in, repairs, seals, publishes, and says so.

Owns: which of an unfinished roll's next steps is due, most urgent roll first; holding and curing.
Must not: do a step itself; those are plain functions, run aside from the loop.
"""

import logging
from collections.abc import Awaitable, Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass

from syncd.bell import Bell
from syncd.errors import HeldError
from syncd.journal import rolls
from syncd.journal.journal import Journal, JournalError
from syncd.journal.rolls import Origin, RollRow
from syncd.limits import MIB, SELF_CURE_RETRY_S
from syncd.ports import Ports
from syncd.repeats import Repeats
from syncd.roll.inventory import Inventory
from syncd.roll.stages import HeldCode, Stage, is_before
from syncd.storage.area import Area
from syncd.storage.intake import ReceivingRolls
from syncd.storage.jobs import Jobs
from syncd.storage.outcomes import record_held
from syncd.storage.receiving import ReceivingRoll
from syncd.storage.steps import Steps

log = logging.getLogger(__name__)

WORKERS_DEFAULT = 2
CURE_WAIT_MAX_S = 300.0
BATCH_FILES_MAX = 64  # small files are proved and journalled in batches
BATCH_BYTES_MAX = 64 * MIB
CURABLE = frozenset({HeldCode.STORAGE_ABSENT, HeldCode.STORAGE_FULL})


@dataclass(frozen=True, slots=True)
class Cure:
    """The last release of a roll: how far it was, and when and how long until the next one."""

    moved_bytes: int
    not_before_s: float
    wait_s: float


class Keeper:
    """Keeps one storage until cancelled. A roll that fails is held; the others go on.

    origin: which rolls of the journal are meant; of fetched ones those whose route is this area.
    final_stages: what a published roll becomes, in one transaction.
    """

    def __init__(
        self,
        area: Area,
        journal: Journal,
        ports: Ports,
        *,
        origin: Origin,
        final_stages: Sequence[Stage],
        host_name: str,
        workers: int = WORKERS_DEFAULT,
    ) -> None:
        self.receiving = ReceivingRolls(area, journal)
        # Taken up from the storage after a lost journal, and offered by nobody since.
        self.unclaimed: set[str] = set()
        self._area = area
        self._journal = journal
        self._ports = ports
        self._origin = origin
        self._bell = Bell()
        self._steps = Steps(
            area,
            journal,
            ports.clock,
            self.receiving,
            self._bell.ring,
            final_stages=final_stages,
            host_name=host_name,
        )
        self._jobs = Jobs(workers, self._bell.ring)
        self._proving: dict[str, set[int]] = {}
        self._retry_at_s: dict[str, float] = {}
        self._cures: dict[str, Cure] = {}
        self._repeats = Repeats(log, ports.clock)

    def add(self, inventory: Inventory) -> None:
        """Begin to receive a roll that the journal has. Raises HeldError. Blocks: call it aside."""
        self._steps.open(inventory)
        self._bell.ring()

    def take_anew(self, inventory: Inventory) -> bool:
        """Go on with an unfinished roll under other evidence; False if it is published.

        Raises HeldError. Blocks: call it aside.
        """
        return self._steps.take_anew(inventory)

    def go_on(
        self, roll_id: str, state: bytes, anew: Collection[str], spend: Callable[[], None]
    ) -> None:
        """Take a roll's parcels in another state only, as Steps.go_on() does. Call it aside."""
        self._steps.go_on(roll_id, state, anew, spend)

    def give_up(self, roll_id: str) -> None:
        """Forget an unfinished roll that can never be completed. Blocks: call it aside."""
        self._steps.give_up(roll_id)

    def let_go(self, roll_id: str) -> None:
        """Wait for a roll no more; what came in of it stays. Raises HeldError. Call it aside."""
        self._steps.let_go(roll_id)

    async def lacking(self, roll_id: str) -> bytes:
        """Return the parcels that a roll still lacks, as bits. Raises HeldError."""
        return await self._ports.disk.aside(self._steps.lacking, roll_id)

    async def run(self) -> None:
        """Keep the storage until cancelled."""
        unsubscribe = self._journal.subscribe(self._bell.ring)
        try:
            await self._ports.disk.aside(self._steps.clean_up)
            async with self._jobs as jobs:
                while True:
                    if jobs.free:
                        self._start_jobs(await self._ports.disk.aside(self._rows))
                    await self._bell.wait(SELF_CURE_RETRY_S)
        finally:
            unsubscribe()

    # Which step is due

    def _rows(self) -> list[RollRow]:
        self._area.let_go_if_gone()
        with self._journal.read() as db:
            if rolls.is_all_paused(db):
                return []
            rows = rolls.unfinished(db, self._origin)
        if self._origin is Origin.FETCH:
            rows = [row for row in rows if row.route == self._area.path]
        # What is landed and not ready was found wrong after it was published; see adopting.py.
        return [row for row in rows if not row.paused and is_before(row.stage, Stage.LANDED)]

    def _start_jobs(self, rows: list[RollRow]) -> None:
        for row in rows:
            if not self._jobs.free:
                return
            self._start_jobs_of(row)

    def _start_jobs_of(self, row: RollRow) -> None:
        """Start what is due for one roll; a whole-roll step never runs beside another one."""
        roll = self.receiving.get(row.roll_id)
        if row.held is not None and roll is not None:
            # It is held already; kept until it is due, this would hold it again after a release.
            roll.take_trouble()
        if self._jobs.is_running(row.roll_id) or not self._is_due(row.roll_id):
            return
        if row.held is not None:
            if row.held.code in CURABLE:
                self._start(row.roll_id, self._cure(row))
        elif roll is None:
            self._start(row.roll_id, self._aside(self._steps.open_known, row.roll_id))
        elif (trouble := roll.take_trouble()) is not None:
            self._start(row.roll_id, self._hold(row.roll_id, trouble))
        elif roll.take_loss():
            self._start(row.roll_id, self._aside(self._steps.find_lost, roll))
        elif roll.is_all_proved:
            if not self._proving.get(row.roll_id):
                self._start(row.roll_id, self._aside(self._steps.finish, roll))
        else:
            self._start_proofs(roll)

    def _is_due(self, roll_id: str) -> bool:
        return self._ports.clock.monotonic_s() >= self._retry_at_s.get(roll_id, 0.0)

    def _start(self, roll_id: str, step: Awaitable[None]) -> None:
        self._jobs.start(roll_id, self._guard(roll_id, step))

    def _start_proofs(self, roll: ReceivingRoll) -> None:
        busy = self._proving.setdefault(roll.roll_id, set())
        while self._jobs.free:
            batch = _first_bytes(roll, roll.files_to_prove(BATCH_FILES_MAX, busy))
            if not batch:
                return
            busy.update(batch)
            step = self._guard(roll.roll_id, self._prove(roll, batch, busy))
            self._jobs.start(None, step)

    async def _guard(self, roll_id: str, step: Awaitable[None]) -> None:
        """Run one step; what goes wrong holds its roll, and a failing journal waits."""
        try:
            await step
        except HeldError as error:
            await self._hold(roll_id, error)
        except FileNotFoundError as error:
            self._area.doubt()
            await self._guard(roll_id, self._aside(self._steps.explain_absence, roll_id, error))
        except OSError as error:
            await self._hold(roll_id, self._area.failed(error))
        except JournalError as error:
            self._repeats.trouble(roll_id, f"{roll_id}: {error}")
            self._wait(roll_id)
        else:
            if not self._journal.problem:  # not every step writes
                self._repeats.well(roll_id, f"{roll_id}: the journal can be written again")

    def _wait(self, roll_id: str) -> None:
        self._retry_at_s[roll_id] = self._ports.clock.monotonic_s() + SELF_CURE_RETRY_S

    async def _aside(self, work: Callable[..., object], *args: object) -> None:
        await self._ports.disk.aside(work, *args)

    # Holding and curing

    async def _hold(self, roll_id: str, error: HeldError) -> None:
        self._wait(roll_id)
        try:
            await self._ports.disk.aside(self._write_held, roll_id, error)
        except JournalError as failure:
            self._repeats.trouble(roll_id, f"{roll_id}: {failure}")

    def _write_held(self, roll_id: str, error: HeldError) -> None:
        record_held(self._journal, roll_id, error, now_utc_ms=self._ports.clock.utc_ms())

    async def _cure(self, row: RollRow) -> None:
        """Let a roll go on once the storage is there again, with room for the rest of it."""
        self._wait(row.roll_id)
        with suppress(HeldError):
            await self._ports.disk.aside(self.release_if_well, row)

    def release_if_well(self, row: RollRow) -> None:
        """Release a roll if there is a storage with room for the rest of it. Raises HeldError.

        One that was released before and got no further (a quota, a disk that fails only when
        written to) waits longer each time: a look at the storage does not show its cause.
        """
        roll = self.receiving.get(row.roll_id)
        moved_bytes = row.moved_bytes if roll is None else roll.durable_bytes()
        now_s = self._ports.clock.monotonic_s()
        cure = self._cures.get(row.roll_id)
        if cure is None or moved_bytes > cure.moved_bytes:
            cure = Cure(moved_bytes, 0.0, SELF_CURE_RETRY_S)
        if now_s < cure.not_before_s and row.held is not None:
            raise HeldError(row.held.code, row.held.message, remedy="", path=row.held.path)
        self._area.check(row.total_bytes - moved_bytes)
        wait_s = min(2 * cure.wait_s, CURE_WAIT_MAX_S)
        self._cures[row.roll_id] = Cure(moved_bytes, now_s + wait_s, wait_s)
        with self._journal.write() as db:
            rolls.release(db, row.roll_id, now_utc_ms=self._ports.clock.utc_ms())

    async def _prove(self, roll: ReceivingRoll, batch: list[int], busy: set[int]) -> None:
        try:
            await self._ports.disk.aside(self._steps.prove_batch, roll, batch)
        finally:
            busy.difference_update(batch)


def _first_bytes(roll: ReceivingRoll, files: list[int]) -> list[int]:
    """Return the first of files, as many as make a batch; at least one."""
    total_bytes = 0
    for place, index in enumerate(files):
        total_bytes += roll.inventory.files[index].size_bytes
        if total_bytes >= BATCH_BYTES_MAX:
            return files[: place + 1]
    return files
