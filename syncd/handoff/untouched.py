"""Files that have no evidence: whether one is still what its first pieces were read from.

Owns: the change time under which each file of a settled roll is sent, what was read of it, and the
reading of all that once more where another change time puts it in doubt.
Must not: write to a source; hold a roll for a change time where reading can tell; decide by time.

Size and mtime can be put back after an edit. With evidence, that is found when the storage reads
back; without, what was sent before the edit and what is sent after it would be published as one
file. Only files of several parcels can be such a mix; each other one is read in one go.
"""

import threading
from collections import Counter
from collections.abc import Collection, Iterator, Mapping

from syncd.errors import HeldError
from syncd.limits import PARCEL_BYTES_MAX, READ_BYTES
from syncd.ports import OpenFile
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.parcels import ParcelPlan, Piece
from syncd.roll.stages import HeldCode
from syncd.storage.hashing import PIECE_DIGEST_BYTES, piece_hasher
from syncd.storage.reading import RollReader

# Read again more often only for its change time, a file lies where change times are made up.
TOUCHES_MAX = 3
SAYS_NOTHING_NS = -1  # journalled for such a file in the place of its change time
_UNKNOWN = bytes(PIECE_DIGEST_BYTES)


class TouchedError(HeldError):
    """A file has another change time than before: what was sent of it is to be read again."""


class FileWatch:
    """The files of one roll that are watched: without evidence, and of several parcels each.

    change_times: what settle() returned before, of an earlier process perhaps.
    Safe from several lanes.
    """

    def __init__(
        self, inventory: Inventory, plan: ParcelPlan, change_times: Mapping[int, int]
    ) -> None:
        self._inventory = inventory
        self._plan = plan
        self._indexes = tuple(_watched(inventory, plan))
        self._lock = threading.Lock()
        self._changed_ns = {i: change_times[i] for i in self._indexes if i in change_times}
        self._read: dict[int, bytearray] = {}
        self._touches: Counter[int] = Counter()

    def check(self, file_index: int, opened_ns: int, now_ns: int) -> None:
        """Raise TouchedError unless a file has, and had when opened, the change time of before."""
        with self._lock:
            known_ns = self._changed_ns.get(file_index)
        if known_ns in (None, SAYS_NOTHING_NS) or opened_ns == now_ns == known_ns:
            return
        path = self._inventory.files[file_index].path
        raise TouchedError(
            HeldCode.SOURCE_CHANGED,
            f"{_shown(self._inventory)}: {path} was changed while it was read.",
            remedy="What was sent of it is read again.",
            path=path,
        )

    def note(self, piece: Piece, digest: bytes) -> None:
        """Remember what was read of a watched file, to be compared with: 16 bytes a piece."""
        if piece.file_index not in self._changed_ns:
            return
        start = piece.offset_bytes // PARCEL_BYTES_MAX * PIECE_DIGEST_BYTES
        with self._lock:
            count = len(self._plan.parcels_of_file(piece.file_index))
            fresh = bytearray(PIECE_DIGEST_BYTES * count)
            read = self._read.setdefault(piece.file_index, fresh)
            read[start : start + PIECE_DIGEST_BYTES] = digest

    def settle(self, reader: RollReader, lacking: Collection[int]) -> dict[int, int]:
        """Return the change times under which the files are sent from now on, to be journalled.

        lacking: the parcels that the storage has not. A file with another change time than before
        is read as far as it was sent. Raises HeldError(source-changed) if it is not the same, or
        nobody knows what was sent of it; or if it cannot be read.
        """
        for index in self._indexes:
            entry = self._inventory.files[index]
            try:
                self._settle(reader, index, entry, lacking)
            except OSError as error:
                raise reader.trouble(entry.path, error) from error
        with self._lock:
            return dict(self._changed_ns)

    def _settle(
        self, reader: RollReader, index: int, entry: FileEntry, lacking: Collection[int]
    ) -> None:
        known_ns = self._changed_ns.get(index)
        if known_ns == SAYS_NOTHING_NS:
            return
        file = reader.folder.open_read(entry.path)
        try:
            # The time from before reading: an edit during it counts as one after it.
            now_ns = file.opened.changed_ns
            if known_ns not in (None, now_ns):
                self._compare(file, index, entry, lacking)
                self._touches[index] += 1
        finally:
            file.close()
        is_made_up = self._touches[index] > TOUCHES_MAX
        with self._lock:
            self._changed_ns[index] = SAYS_NOTHING_NS if is_made_up else now_ns

    def _compare(
        self, file: OpenFile, index: int, entry: FileEntry, lacking: Collection[int]
    ) -> None:
        """Raise HeldError if a file is not what was sent of it.

        Of what is lacking, too: it may be on its way still.
        """
        with self._lock:
            read = bytes(self._read.get(index, b""))
        for place, number in enumerate(self._plan.parcels_of_file(index)):
            start = place * PIECE_DIGEST_BYTES
            sent = read[start : start + PIECE_DIGEST_BYTES] or _UNKNOWN
            if sent == _UNKNOWN:
                if number in lacking:
                    continue
                reason = "what was sent of it before syncd was started last cannot be compared"
                raise _changed(self._inventory, entry.path, reason)
            (piece,) = self._plan.pieces(number)
            if _digest_of(file, piece) != sent:
                begin, end = piece.offset_bytes, piece.offset_bytes + piece.length_bytes
                reason = f"bytes {begin} to {end} are not what was sent"
                raise _changed(self._inventory, entry.path, reason)


class Watches:
    """The watches over all rolls that are under way; they outlast a break and a hold."""

    def __init__(self) -> None:
        self._by_roll: dict[str, FileWatch] = {}

    def over(
        self, inventory: Inventory, plan: ParcelPlan, change_times: Mapping[int, int]
    ) -> FileWatch | None:
        """Return the watch over a roll; None if it has no file to be watched."""
        known = self._by_roll.get(inventory.roll_id)
        if known is None and next(_watched(inventory, plan), None) is not None:
            known = FileWatch(inventory, plan, change_times)
            self._by_roll[inventory.roll_id] = known
        return known

    def settle(self, reader: RollReader, lacking: Collection[int]) -> dict[int, int]:
        """Do as FileWatch.settle(); nothing for a roll without a watch."""
        watch = self._by_roll.get(reader.inventory.roll_id)
        return {} if watch is None else watch.settle(reader, lacking)

    def keep(self, roll_ids: Collection[str]) -> None:
        """Forget all other rolls: they are handed over, or will never be."""
        for roll_id in self._by_roll.keys() - set(roll_ids):
            del self._by_roll[roll_id]


def _watched(inventory: Inventory, plan: ParcelPlan) -> Iterator[int]:
    """Yield the files that have no evidence and are read in several goes."""
    for index, entry in enumerate(inventory.files):
        if not entry.digests and len(plan.parcels_of_file(index)) > 1:
            yield index


def _digest_of(file: OpenFile, piece: Piece) -> bytes:
    hasher = piece_hasher()
    buffer = memoryview(bytearray(min(READ_BYTES, piece.length_bytes)))
    done_bytes = 0
    while done_bytes < piece.length_bytes:
        part = buffer[: piece.length_bytes - done_bytes]
        count = file.read_into(part, piece.offset_bytes + done_bytes)
        hasher.update(part[:count])
        done_bytes += count
        if count < len(part):
            break  # it ends early, which gives another digest
    return hasher.digest()


def _shown(inventory: Inventory) -> str:
    return f"{inventory.day}/{inventory.name}"


def _changed(inventory: Inventory, path: str, reason: str) -> HeldError:
    return HeldError(
        HeldCode.SOURCE_CHANGED,
        f"{_shown(inventory)}: {path} was changed on the source while it was handed over, and has "
        f"its old size and time: {reason}. The source side is wrong.",
        remedy="Find out who writes to the landing. Put the file back as it was, then `syncd go` "
        "the roll; or give it a new time (`touch`), and the roll is handed over anew as it is "
        "then. Do not clear the card.",
        path=path,
    )
