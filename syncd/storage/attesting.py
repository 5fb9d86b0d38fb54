"""What is attested of a roll once its files are proved: from the proofs that the journal keeps.

Owns: its next ASC MHL generation, the storage's own record of it, and the digests of what came
without any. Must not: write to the storage or the journal, or decide when; steps.py does.
"""

from collections.abc import Iterator
from dataclasses import replace

from syncd.evidence.ascmhl_write import NewFile
from syncd.journal import parcels
from syncd.journal.journal import Journal
from syncd.journal.parcels import Proof
from syncd.limits import MANIFEST_BYTES_MAX
from syncd.ports import Clock
from syncd.roll.inventory import FileEntry, Inventory
from syncd.storage.area import Area
from syncd.storage.generation import PAGE_FILES, generation_files
from syncd.storage.layout import evidence_root
from syncd.storage.receiving import ReceivingRoll
from syncd.storage.records import PublishedRecord, xxh128_of


class Attesting:
    """What this box, called host_name, says of the rolls that it proves on one storage."""

    def __init__(self, area: Area, journal: Journal, clock: Clock, host_name: str) -> None:
        self._area = area
        self._journal = journal
        self._clock = clock
        self._host_name = host_name

    def with_digests(self, roll: ReceivingRoll) -> Inventory:
        """Return the inventory with digests for what has none of its own (a settled roll)."""
        with self._journal.read() as db:
            proofs = parcels.proofs(db, roll.roll_id)
        files = tuple(
            entry if entry.digests or index not in proofs else replace(entry, digests=digests)
            for index, entry in enumerate(roll.inventory.files)
            for digests in (proofs[index].digests if index in proofs else (),)
        )
        return replace(roll.inventory, files=files)

    def record(self, roll: ReceivingRoll, sealed: tuple[FileEntry, ...]) -> PublishedRecord:
        """Say for the storage itself what is about to be published."""
        digests: list[bytes] = []
        for first in range(0, len(roll.inventory.files), PAGE_FILES):
            proofs = self._proofs(roll.roll_id, first, PAGE_FILES)
            page = range(first, min(first + PAGE_FILES, len(roll.inventory.files)))
            digests += (xxh128_of(proofs[n].digests) if n in proofs else b"" for n in page)
        return PublishedRecord(
            roll.inventory, roll.papers.peer(), sealed, tuple(digests), self._clock.utc_ms()
        )

    def generation(self, roll: ReceivingRoll) -> Iterator[NewFile]:
        """Yield the files of the next ASC MHL generation, as generation_files() does."""
        folder = self._area.present()
        root = evidence_root(roll.roll_id)
        return generation_files(
            roll.inventory,
            lambda first, count: self._proofs(roll.roll_id, first, count),
            lambda path: folder.read_file(f"{root}/{path}", bytes_max=MANIFEST_BYTES_MAX),
            host_name=self._host_name,
            now_utc_ms=self._clock.utc_ms(),
        )

    def _proofs(self, roll_id: str, first: int, count: int) -> dict[int, Proof]:
        with self._journal.read() as db:
            return parcels.proofs(db, roll_id, first, count)
