"""An unfinished roll on the storage: which parcels it lacks, and how they come in.

Owns: what counts as durable (promise 3: synced, then journalled, then confirmed), and that no late
writer touches what was received again, proved or published. Must not: prove or publish.
Safe from several lanes. Locks: the roll's own lock is never held while the disk or journal works.
"""

import threading
from array import array
from collections import Counter
from collections.abc import Callable, Collection, Container, Iterable, Mapping
from functools import partial
from itertools import islice

from syncd.errors import HeldError
from syncd.journal import parcels, rolls
from syncd.journal.journal import Connection, Journal
from syncd.journal.parcels import Proof
from syncd.ports import Folder
from syncd.roll.inventory import Inventory
from syncd.roll.parcels import ParcelPlan, to_bitmap
from syncd.roll.stages import HeldCode
from syncd.storage.area import Area
from syncd.storage.durable import DurableNames
from syncd.storage.hashing import PIECE_DIGEST_BYTES
from syncd.storage.layout import evidence_root, files_below, folder_of, media_root, stored_path
from syncd.storage.papers import RollPapers
from syncd.storage.sinks import ParcelSink, SparedSink, check_number
from syncd.storage.troubles import ParcelDamagedError, storage_trouble

Sink = ParcelSink | SparedSink

DIGESTS_KEPT = (
    16  # parcels whose digests are at hand: the files of one are proved one after another
)

# Read back more often only for its change time, a file lies where change times are made up.
TOUCHES_MAX = 3


class ReceivingRoll:
    """One roll that is coming in. Reads from the journal what is durable and proved already.

    changed: called when something may be proved, or went wrong (see take_trouble).
    Raises HeldError if the storage is not there.
    """

    def __init__(
        self, inventory: Inventory, area: Area, journal: Journal, changed: Callable[[], None]
    ) -> None:
        self.inventory = inventory
        self.roll_id = inventory.roll_id
        self.plan = ParcelPlan(inventory)
        self.area = area
        self.names = DurableNames()
        # Not methods of ours: what holds itself outlives its time (test_receiving.py).
        asked = journal, self.roll_id
        self.papers = RollPapers(inventory, partial(_peer, *asked), partial(_digests, *asked))
        self._journal = journal
        self._changed = changed
        self._lock = threading.Lock()
        self._writing: dict[int, ParcelSink] = {}
        self._made: set[str] = set()
        self._epoch = 0
        self._version = 0
        self._is_closed = False
        self.state = b""  # Offer.state; steps.py sets it
        self._trouble: HeldError | None = None
        self._is_losing = False
        self.times_kept: dict[int, int] = {}  # of files read back again: what the storage shows
        self.times_doubted: Counter[int] = Counter()
        self.times_touched: Counter[int] = Counter()
        self._durable: set[int] = set()
        self._durable_bytes = 0
        self._unproved: set[int] = set()
        self._proved: set[int] = set()
        every = range(len(inventory.files))
        self._lacking_of_file = array("l", (len(self.plan.parcels_of_file(i)) for i in every))
        self._digests: dict[int, tuple[int, bytes]] = {}
        self._load()

    # What is there

    @property
    def is_all_durable(self) -> bool:
        """Whether every parcel is on the storage."""
        return len(self._durable) == self.plan.count

    @property
    def is_all_proved(self) -> bool:
        """Whether every file was read back and found good."""
        return len(self._proved) == len(self.inventory.files)

    def lacking(self) -> bytes:
        """Return the parcels that must still come, as bits."""
        with self._lock:
            durable = self._durable.copy()
        every = range(self.plan.count)
        return to_bitmap((number for number in every if number not in durable), len(every))

    def files_to_prove(
        self, count_max: int | None = None, besides: Container[int] = frozenset()
    ) -> list[int]:
        """Return files that are durable as a whole and were not read back yet, in no order."""
        with self._lock:
            return list(islice((i for i in self._unproved if i not in besides), count_max))

    def durable_bytes(self) -> int:
        """Return how much is on the storage."""
        return self._durable_bytes

    def take_trouble(self) -> HeldError | None:
        """Return what went wrong since the last call."""
        with self._lock:
            trouble, self._trouble = self._trouble, None
            return trouble

    def take_loss(self) -> bool:
        """Tell whether, since the last call, something seemed to be gone from the storage."""
        with self._lock:
            is_losing, self._is_losing = self._is_losing, False
            return is_losing

    def change_times(self) -> dict[int, int]:
        """Return the change time that each file had when it was last read back, by index."""
        with self._journal.read() as db:
            return parcels.change_times(db, self.roll_id)

    def is_moody(self, index: int) -> bool:
        """Tell whether a file showed another change time so often that it says nothing."""
        return self.times_touched[index] > TOUCHES_MAX

    @property
    def version(self) -> int:
        """A number that changes when something durable is lacking again.

        What was read back under one version says nothing about the bytes of the next.
        """
        return self._version

    def piece_digest(self, number: int, file_index: int) -> bytes:
        """Return the digest with which a piece was received, b"" if it is lacking by now."""
        first_file, digests = self._digests.get(number) or self._load_digests(number)
        start = (file_index - first_file) * PIECE_DIGEST_BYTES
        return digests[start : start + PIECE_DIGEST_BYTES]

    def _load_digests(self, number: int) -> tuple[int, bytes]:
        with self._journal.read() as db:
            found = parcels.piece_digests(db, self.roll_id, [number])
        if len(self._digests) >= DIGESTS_KEPT:
            self._digests.clear()
        digests = self.plan.pieces(number)[0].file_index, found.get(number, b"")
        self._digests[number] = digests
        return digests

    # Coming in

    def begin(self, number: int, evidence: bytes = b"") -> Sink:
        """Take parcel number. Raises HeldError if nothing can be written now.

        evidence: of the inventory that it was cut from, b"" if unknown: of another one, the number
        would mean other bytes. Where files have none: the state that they were in.
        """
        if not self._is_of_now(evidence):
            raise self._not_expected(number)
        check_number(self.plan, number)
        with self._lock:
            if number in self._durable:
                return SparedSink(self.plan, number)
        try:
            promise = self.area.promise(self.plan.length_bytes(number))
        except HeldError as error:
            trouble = self._with_amount(error)
            self.note_trouble(trouble)
            raise trouble from error
        with self._lock:
            if number in self._durable:
                return SparedSink(self.plan, number)
            if self._is_closed:  # it lacks nothing, or was taken anew or given up just now
                raise self._not_expected(number)
            earlier = self._writing.get(number)
            sink = self._writing[number] = ParcelSink(self, promise, number, self._epoch)
        # A lane that hung may still be writing this parcel: it must not write any more.
        if earlier is not None:
            earlier.abandon()
        return sink

    def _is_of_now(self, evidence: bytes) -> bool:
        if self.state:
            return evidence == self.state
        return evidence in (b"", self.inventory.evidence_mark)

    def _not_expected(self, number: int) -> HeldError:
        return HeldError(
            HeldCode.PEER_REFUSED,
            f"Parcel {number} of roll {self.roll_id} is not expected here as it was cut.",
            remedy="It is offered again, which tells what is lacking.",
        )

    def make_folder_for(self, folder: Folder, path: str) -> None:
        """Make the folder that path lies in, once."""
        parent = folder_of(path)
        if parent in self._made:
            return
        folder.make_folders(parent)
        with self._lock:
            self._made.add(parent)

    def _with_amount(self, error: HeldError) -> HeldError:
        """Have a full storage say how much the roll still lacks."""
        if error.code is HeldCode.STORAGE_FULL:
            try:
                self.area.check(self.inventory.total_bytes - self._durable_bytes)
            except HeldError as better:
                return better
        return error

    def failed(self, error: OSError, path: str | None) -> HeldError | ParcelDamagedError:
        """Take note that writing failed: what is not confirmed yet is condemned.

        After a failed sync the system may call the same pages clean, so no sync is tried again:
        those parcels stay lacking and are written anew.
        """
        trouble = self.area.failed(error, path)
        self.forget_folders()
        with self._lock:
            self._epoch += 1
        if isinstance(error, FileNotFoundError):
            try:
                self.area.present()
            except HeldError as absent:
                trouble = absent
            else:
                return self._losing(path)
        self.note_trouble(trouble)
        return trouble

    def _losing(self, path: str | None) -> ParcelDamagedError:
        """Somebody removes files under us; the storage itself is there, so nothing is held."""
        with self._lock:
            self._is_losing = True
        self._changed()
        return ParcelDamagedError(
            f"{path or 'A folder'} is gone from the roll's incoming folder.",
            remedy="It is made anew, and what is gone is sent again.",
        )

    def forget_folders(self) -> None:
        """Count on no folder that was made before: it may be gone."""
        self.names.forget()
        with self._lock:
            self._made.clear()

    def note_trouble(self, trouble: HeldError) -> None:
        """Have the keeper know why this roll cannot be written now."""
        with self._lock:
            self._trouble = trouble
        self._changed()

    def check_current(self, sink: ParcelSink) -> None:
        """Raise ParcelDamagedError if sink is condemned or another lane has its parcel."""
        with self._lock:
            is_current = self._writing.get(sink.number) is sink and sink.epoch == self._epoch
        if not is_current:
            raise ParcelDamagedError(
                f"Parcel {sink.number} was condemned with what failed beside it.",
                remedy="It is sent again.",
            )

    def proved_among(self, files: Iterable[int]) -> set[int]:
        """Return those of files that were proved."""
        with self._lock:
            return self._proved.intersection(files)

    def count_durable(self, numbers: Iterable[int]) -> None:
        """Count parcels that the journal has as durable now; nobody may write them any more."""
        late: list[ParcelSink] = []
        self._digests.clear()
        with self._lock:
            for number in set(numbers) - self._durable:
                self._durable.add(number)
                self._durable_bytes += self.plan.length_bytes(number)
                self._count_pieces(number, -1)
                if number in self._writing:
                    late.append(self._writing.pop(number))
        for sink in late:
            sink.abandon()
        self._changed()

    def count_proved(self, files: Iterable[int]) -> None:
        """Count files that the journal has as proved now; not what is lacking again."""
        with self._lock:
            good = {index for index in files if index in self._unproved}
            self._unproved -= good
            self._proved |= good
        self._changed()

    def count_lacking(self, numbers: Iterable[int]) -> None:
        """Count parcels that the journal forgot: they and the proofs of their files are gone."""
        with self._lock:
            self._version += 1
            for number in set(numbers) & self._durable:
                self._durable.discard(number)
                self._durable_bytes -= self.plan.length_bytes(number)
                self._count_pieces(number, +1)
        self._changed()

    def files_of(self, numbers: Iterable[int]) -> set[int]:
        """Return the files that have a part in any of these parcels."""
        return {piece.file_index for number in numbers for piece in self.plan.pieces(number)}

    def close(self) -> None:
        """Let nobody write any more: the roll is about to be sealed."""
        with self._lock:
            self._is_closed = True
            writing, self._writing = list(self._writing.values()), {}
        for sink in writing:
            sink.abandon()

    def reopen(self) -> None:
        """Take parcels again."""
        with self._lock:
            self._is_closed = False

    def _count_pieces(self, number: int, change: int) -> None:
        for piece in self.plan.pieces(number):
            index = piece.file_index
            self._lacking_of_file[index] += change
            self._proved.discard(index)
            if self._lacking_of_file[index] == 0:
                self._unproved.add(index)
            else:
                self._unproved.discard(index)

    # After a start

    def _load(self) -> None:
        with self._journal.read() as db:
            durable = parcels.durable_numbers(db, self.roll_id)
            # Not those without a change time, from an older journal: they are read back once more.
            proved = parcels.proved_files(db, self.roll_id)
        self.count_durable(durable)
        self.count_proved(proved)
        gone, _ = self.gone()
        if gone:
            with self._journal.write() as db:
                self.forget(db, gone)

    def forget(self, db: Connection, numbers: Collection[int]) -> None:
        """Let parcels travel again, and their files be proved again, in a transaction.

        Counted here before it is journalled: a proof that another thread is about to record is
        then either refused, its version being over, or forgotten again right here.
        """
        self.count_lacking(numbers)
        parcels.forget(db, self.roll_id, numbers)
        parcels.forget_proofs(db, self.roll_id, self.files_of(numbers))
        rolls.set_moved(db, self.roll_id, self._durable_bytes)

    def forget_proofs(self, db: Connection, files: Collection[int]) -> None:
        """Have files that are durable read back again, in a transaction."""
        with self._lock:
            self._version += 1
            doubtful = self._proved.intersection(files)
            self._proved -= doubtful
            self._unproved |= doubtful
        parcels.forget_proofs(db, self.roll_id, files)

    def record_proofs(
        self, db: Connection, proofs: Mapping[int, Proof], version: int, now_utc_ms: int
    ) -> bool:
        """Journal proofs that were taken under version; False, and nothing done, if it is over.

        count_proved() comes after.
        """
        if version != self._version:
            return False
        parcels.record_proved(db, self.roll_id, proofs, now_utc_ms=now_utc_ms)
        return True

    def gone(self) -> tuple[set[int], set[int]]:
        """Return parcels that are journalled as durable and are not there, and their files."""
        # As they are before looking: what becomes durable meanwhile may have been missed.
        with self._lock:
            durable = set(self._durable)
        if not durable:
            return set(), set()
        folder = self.area.folder()
        sizes: dict[str, int] = {}
        for root in (media_root(self.roll_id), evidence_root(self.roll_id)):
            try:
                found = files_below(folder, root)
            except OSError as error:
                raise storage_trouble(self.area.path, error) from error
            sizes |= {f"{root}/{path}": entry.size_bytes for path, entry in found.items()}
        numbers: set[int] = set()
        files: set[int] = set()
        for number in durable:
            for piece in self.plan.pieces(number):
                path = stored_path(self.roll_id, self.inventory.files[piece.file_index])
                if sizes.get(path, -1) < piece.offset_bytes + piece.length_bytes:
                    numbers.add(number)
                    files.add(piece.file_index)
        return numbers, files


def _peer(journal: Journal, roll_id: str) -> str:
    with journal.read() as db:
        row = rolls.get(db, roll_id)
    return "" if row is None else row.peer or ""


def _digests(journal: Journal, roll_id: str) -> dict[int, bytes]:
    with journal.read() as db:
        return parcels.piece_digests(db, roll_id, parcels.durable_numbers(db, roll_id))
