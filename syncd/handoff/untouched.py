"""Files that have no evidence: whether one is still what its first pieces were read from.

Owns: the change time under which each file of a settled roll is sent, what was read of it, the
reading of all that once more where another change time puts it in doubt, and that a file which is
not the same, or of which nobody knows, is sent anew as a whole.
Must not: write to a source; hold a roll for a change time alone; decide by time.

Size and mtime can be put back after an edit. With evidence, that is found when the storage reads
back; without, what was sent before the edit and what is sent after it would be published as one
file. Only files of several parcels can be such a mix; each other one is read in one go.

A file is sent anew in this order: from now on parcels say another state; the next offer names the
state and the file; the storage forgets what it has of it, and takes no parcel of another state,
however late it comes; the change time that the file has by then is journalled; it is sent.
"""

import hashlib
import threading
from collections import Counter
from collections.abc import Collection, Iterator, Mapping

from syncd.errors import HeldError
from syncd.limits import PARCEL_BYTES_MAX, READ_BYTES
from syncd.ports import Chance, OpenFile
from syncd.roll.inventory import EVIDENCE_MARK_BYTES, Inventory
from syncd.roll.parcels import ParcelPlan, Piece
from syncd.roll.stages import HeldCode
from syncd.storage.hashing import PIECE_DIGEST_BYTES, piece_hasher
from syncd.storage.reading import RollReader
from syncd.wire.messages import ANEW_MAX

# Read again more often only for its change time, a file lies where change times are made up.
TOUCHES_MAX = 3
# Sent anew more often, it is held: somebody keeps writing to it.
ANEW_TRIES_MAX = 3
SAYS_NOTHING_NS = -1  # journalled for such a file in the place of its change time
_UNKNOWN = bytes(PIECE_DIGEST_BYTES)
_READ_AGAIN = "What was sent of it is read again."
_SENT_ANEW = "It is sent anew as a whole, as it is now."


class TouchedError(HeldError):
    """A file has another change time than before: the roll is to be offered again.

    What was sent of the file is read then; or it was, and the file is to be sent anew.
    """


class FileWatch:
    """The files of one roll that are watched: without evidence, and of several parcels each.

    change_times: what settle() returned before, of an earlier process perhaps; of which nothing
    that is on its way still is taken, the state being another. Safe from several lanes.
    """

    def __init__(
        self,
        inventory: Inventory,
        plan: ParcelPlan,
        change_times: Mapping[int, int],
        chance: Chance,
    ) -> None:
        self._inventory = inventory
        self._plan = plan
        self._indexes = tuple(_watched(inventory, plan))
        self._lock = threading.Lock()
        self._changed_ns = {i: change_times[i] for i in self._indexes if i in change_times}
        self._read: dict[int, bytearray] = {}
        self._touches: Counter[int] = Counter()
        self._chance = chance
        self._state = chance.random_bytes(EVIDENCE_MARK_BYTES)
        self._anew: set[int] = set()
        self._tries: Counter[int] = Counter()

    @property
    def anew(self) -> tuple[str, ...]:
        """The paths of files that are to be sent anew, for the next offer; perhaps not yet all."""
        return tuple(self._inventory.files[index].path for index in self._named())

    def _named(self) -> list[int]:
        with self._lock:
            return sorted(self._anew)[:ANEW_MAX]

    def state(self, evidence: bytes) -> bytes:
        """Return what parcels that are read from now on say, under evidence (Offer.state)."""
        return hashlib.sha256(evidence + self._state).digest()[:EVIDENCE_MARK_BYTES]

    def check(self, file_index: int, opened_ns: int, now_ns: int) -> None:
        """Raise TouchedError unless a file has, and had when opened, the change time of before."""
        with self._lock:
            known_ns = self._changed_ns.get(file_index)
        if known_ns not in (None, SAYS_NOTHING_NS) and not opened_ns == now_ns == known_ns:
            raise self._touched(file_index, "was changed while it was read", _READ_AGAIN)

    def note(self, piece: Piece, digest: bytes, opened_ns: int) -> None:
        """Remember what was read of a watched file, to be compared with: 16 bytes a piece.

        Raises TouchedError if it was opened under another change time than counts by now.
        """
        start = piece.offset_bytes // PARCEL_BYTES_MAX * PIECE_DIGEST_BYTES
        with self._lock:
            known_ns = self._changed_ns.get(piece.file_index)
            if known_ns is None:
                return
            if known_ns not in (SAYS_NOTHING_NS, opened_ns):
                raise self._touched(piece.file_index, "was changed while it was read", _READ_AGAIN)
            count = len(self._plan.parcels_of_file(piece.file_index))
            fresh = bytearray(PIECE_DIGEST_BYTES * count)
            read = self._read.setdefault(piece.file_index, fresh)
            read[start : start + PIECE_DIGEST_BYTES] = digest

    def settle(self, reader: RollReader, lacking: Collection[int]) -> dict[int, int]:
        """Return the change times under which the files are sent from now on, to be journalled.

        lacking: the parcels that the storage has not. A file with another change time than before
        is read as far as it was sent. Raises TouchedError if it is not the same, or nobody knows
        what was sent of it: then the roll is to be offered again, with that file anew. Raises
        HeldError(source-changed) if that happens again and again; or if it cannot be read.
        """
        named = self._named() if self._is_of_now(reader) else []
        for index in self._indexes:
            try:
                self._settle(reader, index, lacking, is_forgotten=index in named)
            except OSError as error:
                raise reader.trouble(self._inventory.files[index].path, error) from error
        if left := self._named():
            raise self._touched(left[0], "was changed while it was handed over", _SENT_ANEW)
        with self._lock:
            return dict(self._changed_ns)

    def _is_of_now(self, reader: RollReader) -> bool:
        """Tell whether what was answered to the last offer was answered to the state of now."""
        return reader.evidence == self.state(reader.inventory.evidence_mark)

    def _settle(
        self, reader: RollReader, index: int, lacking: Collection[int], *, is_forgotten: bool
    ) -> None:
        known_ns = self._changed_ns.get(index)
        own = self._plan.parcels_of_file(index)
        is_whole = not any(number in lacking for number in own)
        # Under that one change time, if it is there as a whole: whatever it has now, it is no mix.
        if known_ns is not None and (known_ns == SAYS_NOTHING_NS or is_whole):
            self._settled(index, known_ns)
            return
        file = reader.folder.open_read(self._inventory.files[index].path)
        try:
            # The time from before reading: an edit during it counts as one after it.
            now_ns = file.opened.changed_ns
            if known_ns not in (None, now_ns):
                if index in self._anew and not is_forgotten:
                    return  # it is still to be offered so
                is_sent_whole = is_forgotten and all(number in lacking for number in own)
                if not is_sent_whole:
                    if is_forgotten or not self._is_as_sent(file, index, lacking):
                        self._send_anew(index)
                        return
                    self._touches[index] += 1
        finally:
            file.close()
        is_made_up = self._touches[index] > TOUCHES_MAX
        self._settled(index, SAYS_NOTHING_NS if is_made_up else now_ns)

    def _settled(self, index: int, changed_ns: int) -> None:
        with self._lock:
            if index in self._anew:
                self._anew.discard(index)
                self._read.pop(index, None)
            self._changed_ns[index] = changed_ns

    def _is_as_sent(self, file: OpenFile, index: int, lacking: Collection[int]) -> bool:
        """Tell whether a file is what was sent of it; not if an earlier process sent some of it.

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
                return False
            (piece,) = self._plan.pieces(number)
            if _digest_of(file, piece) != sent:
                return False
        return True

    def _send_anew(self, index: int) -> None:
        """Have a file sent anew by the next offer. Raises HeldError if it was too often."""
        self._tries[index] += 1
        with self._lock:
            self._anew.add(index)
            self._read.pop(index, None)
            self._state = self._chance.random_bytes(EVIDENCE_MARK_BYTES)
        if self._tries[index] > ANEW_TRIES_MAX:
            del self._tries[index]  # so that it is tried as often once a person lets it go on
            raise _changed(self._inventory, self._inventory.files[index].path)

    def _touched(self, index: int, what: str, remedy: str) -> TouchedError:
        path = self._inventory.files[index].path
        problem = f"{_shown(self._inventory)}: {path} {what}."
        return TouchedError(HeldCode.SOURCE_CHANGED, problem, remedy=remedy, path=path)


class Watches:
    """The watches over all rolls that are under way; they outlast a break and a hold."""

    def __init__(self, chance: Chance) -> None:
        self._chance = chance
        self._by_roll: dict[str, FileWatch] = {}

    def over(
        self, inventory: Inventory, plan: ParcelPlan, change_times: Mapping[int, int]
    ) -> FileWatch | None:
        """Return the watch over a roll; None if it has no file to be watched."""
        known = self._by_roll.get(inventory.roll_id)
        if known is None and next(_watched(inventory, plan), None) is not None:
            known = FileWatch(inventory, plan, change_times, self._chance)
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


def _changed(inventory: Inventory, path: str) -> HeldError:
    return HeldError(
        HeldCode.SOURCE_CHANGED,
        f"{_shown(inventory)}: {path} changes on the source again and again while it is handed "
        "over, each time with its old size and time. The source side is wrong.",
        remedy="Find out who writes to the landing, and stop it. Then look whether the file is as "
        "it is to be, and `syncd go` the roll: the file is sent anew as it is then. Do not clear "
        "the card.",
        path=path,
    )
