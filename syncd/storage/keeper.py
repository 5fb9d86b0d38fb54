"""The keeper of a storage: proves what has come in, repairs, seals, publishes, and says so.

Owns: which of an unfinished roll's next steps is due, most urgent roll first; holding and curing.
Must not: do a step itself; those are plain functions, run aside from the loop.
"""

import logging
import threading
from collections.abc import Awaitable, Callable, Sequence
from contextlib import suppress

from syncd.edges.bell import Bell
from syncd.errors import HeldError, RollUnknownError
from syncd.journal import parcels, rolls
from syncd.journal.journal import Journal, JournalError
from syncd.journal.parcels import Proof
from syncd.journal.rolls import Origin, RollRow
from syncd.limits import MANIFEST_BYTES_MAX, MIB, SELF_CURE_RETRY_S
from syncd.ports import Ports
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.parcels import ParcelPlan, to_bitmap
from syncd.roll.stages import HeldCode, Stage, is_before
from syncd.storage.area import Area
from syncd.storage.generation import generation_files
from syncd.storage.jobs import Jobs
from syncd.storage.layout import INCOMING, evidence_root, stored_path
from syncd.storage.outcomes import record_damage, record_held, record_proofs, record_published
from syncd.storage.proving import Damage, prove_file
from syncd.storage.publishing import discard_incoming, publish, recover_publish
from syncd.storage.receiving import ReceivingRoll, ReceivingRolls
from syncd.storage.sealing import seal
from syncd.storage.troubles import storage_trouble

log = logging.getLogger(__name__)

WORKERS_DEFAULT = 2
BATCH_FILES_MAX = 64  # small files are proved and journalled in batches
BATCH_BYTES_MAX = 64 * MIB
_CURABLE = frozenset({HeldCode.STORAGE_ABSENT, HeldCode.STORAGE_FULL})


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
        self._area = area
        self._journal = journal
        self._ports = ports
        self._origin = origin
        self._final_stages = tuple(final_stages)
        self._host_name = host_name
        self._bell = Bell()
        self._opening = threading.Lock()
        self._jobs = Jobs(workers, self._bell.ring)
        self._proving: dict[str, set[int]] = {}
        self._retry_at_s: dict[str, float] = {}

    def add(self, inventory: Inventory) -> None:
        """Begin to receive a roll that the journal has. Raises HeldError. Blocks: call it aside."""
        self._open(inventory)
        self._bell.ring()

    async def lacking(self, roll_id: str) -> bytes:
        """Return the parcels that a roll still lacks, as bits. Raises HeldError."""
        return await self._ports.disk.aside(self._lacking, roll_id)

    async def run(self) -> None:
        """Keep the storage until cancelled."""
        unsubscribe = self._journal.subscribe(self._bell.ring)
        try:
            await self._ports.disk.aside(self._clean_up)
            async with self._jobs as jobs:
                while True:
                    if jobs.free:
                        self._start_jobs(await self._ports.disk.aside(self._rows))
                    await self._bell.wait(SELF_CURE_RETRY_S)
        finally:
            unsubscribe()

    # Which step is due

    def _rows(self) -> list[RollRow]:
        with self._journal.read() as db:
            if rolls.is_all_paused(db):
                return []
            rows = rolls.unfinished(db, self._origin)
        if self._origin is Origin.FETCH:
            rows = [row for row in rows if row.route == self._area.path]
        return [row for row in rows if not row.paused]

    def _start_jobs(self, rows: list[RollRow]) -> None:
        for row in rows:
            if not self._jobs.free:
                return
            self._start_jobs_of(row)

    def _start_jobs_of(self, row: RollRow) -> None:
        """Start what is due for one roll; a whole-roll step never runs beside another one."""
        if self._jobs.is_running(row.roll_id) or not self._is_due(row.roll_id):
            return
        roll = self.receiving.get(row.roll_id)
        if row.held is not None:
            if roll is not None:
                roll.take_trouble()  # it is held already
            if row.held.code in _CURABLE:
                self._start(row.roll_id, self._cure(row))
        elif roll is None:
            self._start(row.roll_id, self._aside(self._open_known, row.roll_id))
        elif (trouble := roll.take_trouble()) is not None:
            self._start(row.roll_id, self._hold(row.roll_id, trouble))
        elif roll.is_all_proved:
            if not self._proving.get(row.roll_id):
                self._start(row.roll_id, self._aside(self._finish, roll))
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
        except OSError as error:
            self._area.doubt()
            await self._hold(roll_id, storage_trouble(self._area.path, error))
        except JournalError as error:
            log.warning("%s", error)
            self._wait(roll_id)

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
            log.warning("%s", failure)

    def _write_held(self, roll_id: str, error: HeldError) -> None:
        record_held(self._journal, roll_id, error, now_utc_ms=self._ports.clock.utc_ms())

    async def _cure(self, row: RollRow) -> None:
        """Let a roll go on once the storage is there again, with room for the rest of it."""
        self._wait(row.roll_id)
        with suppress(HeldError):
            await self._ports.disk.aside(self._release_if_well, row)

    def _release_if_well(self, row: RollRow) -> None:
        roll = self.receiving.get(row.roll_id)
        moved_bytes = row.moved_bytes if roll is None else roll.durable_bytes()
        self._area.check(row.total_bytes - moved_bytes)
        with self._journal.write() as db:
            rolls.release(db, row.roll_id, now_utc_ms=self._ports.clock.utc_ms())

    # Steps, run aside

    def _lacking(self, roll_id: str) -> bytes:
        roll = self._open_known(roll_id)
        if roll is not None:
            return roll.lacking()
        with self._journal.read() as db:
            return to_bitmap((), ParcelPlan(rolls.load_inventory(db, roll_id)).count)

    def _open_known(self, roll_id: str) -> ReceivingRoll | None:
        roll = self.receiving.get(roll_id)
        if roll is not None:
            return roll
        with self._journal.read() as db:
            row = rolls.get(db, roll_id)
            if row is None:
                raise RollUnknownError(f"No roll has the id {roll_id}.", remedy="Offer it again.")
            if not is_before(row.stage, Stage.LANDED):
                return None
            inventory = rolls.load_inventory(db, roll_id)
        return self._open(inventory)

    def _open(self, inventory: Inventory) -> ReceivingRoll | None:
        """Take a roll up where it is; None if it turns out to be published already."""
        with self._opening:
            roll = self.receiving.get(inventory.roll_id)
            if roll is not None:
                return roll
            try:
                sealed = recover_publish(self._area, self._journal, inventory)
            except OSError as error:
                raise storage_trouble(self._area.path, error) from error
            if sealed is not None:
                self._published(inventory, sealed)
                return None
            return self.receiving.add(
                ReceivingRoll(inventory, self._area, self._journal, self._bell.ring)
            )

    async def _prove(self, roll: ReceivingRoll, batch: list[int], busy: set[int]) -> None:
        try:
            await self._ports.disk.aside(self._prove_batch, roll, batch)
        finally:
            busy.difference_update(batch)

    def _prove_batch(self, roll: ReceivingRoll, batch: list[int]) -> None:
        proofs: dict[int, Proof] = {}
        damages: list[Damage] = []
        version = roll.version
        for index in batch:
            result = prove_file(roll, index)
            if isinstance(result, Damage):
                damages.append(result)
            else:
                proofs[index] = result
        now = self._ports.clock.utc_ms()
        if not record_proofs(self._journal, roll, proofs, version, now_utc_ms=now):
            return
        for damage in damages:
            log.warning("%s: %s", roll.roll_id, damage.describe())
            if damage.is_longer:
                self._remove_stored(roll, damage.file_index)
            record_damage(self._journal, roll, damage, now_utc_ms=now)

    def _finish(self, roll: ReceivingRoll) -> None:
        """Seal, publish, and say so; whatever step a crash hits, it is done again or found done."""
        try:
            sealed = seal(roll, lambda: self._generation(roll))
            publish(self._area, self._journal, roll.inventory, sealed)
        except HeldError as error:
            self._distrust(roll, error)
            raise
        finally:
            roll.reopen()
        self._published(roll.inventory, sealed)

    def _distrust(self, roll: ReceivingRoll, error: HeldError) -> None:
        """Have a file that changed after it was proved sent again, once a person lets it go on."""
        if error.code is not HeldCode.READ_BACK_MISMATCH:
            return
        for index, entry in enumerate(roll.inventory.files):
            if entry.path == error.path:
                self._remove_stored(roll, index)
                with self._journal.write() as db:
                    roll.forget(db, roll.plan.parcels_of_file(index))

    def _remove_stored(self, roll: ReceivingRoll, index: int) -> None:
        """Remove an incoming file, before its parcels are forgotten: until then none is written."""
        path = stored_path(roll.roll_id, roll.inventory.files[index])
        with suppress(FileNotFoundError):
            self._area.present().remove_file(path)

    def _generation(self, roll: ReceivingRoll) -> dict[str, bytes]:
        folder = self._area.present()
        root = evidence_root(roll.roll_id)
        with self._journal.read() as db:
            proofs = parcels.proofs(db, roll.roll_id)
        return generation_files(
            roll.inventory,
            proofs,
            lambda path: folder.read_file(f"{root}/{path}", bytes_max=MANIFEST_BYTES_MAX),
            host_name=self._host_name,
            now_utc_ms=self._ports.clock.utc_ms(),
        )

    def _published(self, inventory: Inventory, sealed: Sequence[FileEntry]) -> None:
        record_published(
            self._journal,
            inventory,
            sealed,
            self._final_stages,
            now_utc_ms=self._ports.clock.utc_ms(),
        )
        self.receiving.remove(inventory.roll_id)
        with suppress(OSError, HeldError):  # left-overs are cleared at the next start
            discard_incoming(self._area.present(), inventory.roll_id)

    def _clean_up(self) -> None:
        """Remove incoming folders of rolls that were published before a stop."""
        with suppress(OSError, HeldError):
            folder = self._area.present()
            for entry in folder.scan(INCOMING):
                with self._journal.read() as db:
                    row = rolls.get(db, entry.name)
                if row is not None and row.published_path is not None:
                    discard_incoming(folder, entry.name)


def _first_bytes(roll: ReceivingRoll, files: list[int]) -> list[int]:
    """Return the first of files, as many as make a batch; at least one."""
    total_bytes = 0
    for place, index in enumerate(files):
        total_bytes += roll.inventory.files[index].size_bytes
        if total_bytes >= BATCH_BYTES_MAX:
            return files[: place + 1]
    return files
