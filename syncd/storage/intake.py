"""What lanes write into: parcels of any unfinished roll, made durable in groups, then journalled.

Owns: promise 3, in this order: synced, recorded, and only then may a parcel be confirmed.
Must not: know what a roll lacks; each ReceivingRoll does. Safe from several lanes.
"""

import threading
from collections.abc import Callable, Iterable

from syncd.errors import HeldError
from syncd.journal import parcels, rolls
from syncd.journal.journal import Journal, JournalError
from syncd.journal.rolls import Origin
from syncd.ports import Folder
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode, Stage, is_before
from syncd.storage.area import Area
from syncd.storage.durable import make_durable
from syncd.storage.receiving import ReceivingRoll, Sink
from syncd.storage.sinks import ParcelSink, SparedSink, check_number
from syncd.storage.troubles import ParcelDamagedError
from syncd.wire.authority import NotAllowedError


def commit_sinks(journal: Journal, area: Area, sinks: Iterable[Sink]) -> None:
    """Make finished parcels of any rolls durable and record them; only then may they be confirmed.

    Raises HeldError if the storage fails (then none of them counts), ParcelDamagedError if one
    was condemned meanwhile.
    """
    written = [sink for sink in sinks if isinstance(sink, ParcelSink)]
    if not written:
        return
    by_roll: dict[ReceivingRoll, list[ParcelSink]] = {}
    for sink in written:
        assert isinstance(sink.roll, ReceivingRoll), "sinks come from begin()"
        assert sink.digests, "a parcel is finished before it is committed"
        by_roll.setdefault(sink.roll, []).append(sink)
    try:
        _sync(area, written, by_roll)
    except BaseException:
        for sink in written:
            sink.abandon()
        raise
    try:
        for roll, own in by_roll.items():
            _record(journal, roll, own)
    except JournalError as error:
        # Durable, but not recorded: it is not confirmed, and travels again.
        raise ParcelDamagedError(error.problem, remedy=error.remedy) from error


def _sync(
    area: Area, written: list[ParcelSink], by_roll: dict[ReceivingRoll, list[ParcelSink]]
) -> None:
    names = next(iter(by_roll)).names
    try:
        make_durable(written[0].folder, written, names)
    except OSError as error:
        troubles = [roll.failed(error, None) for roll in by_roll]
        raise troubles[0] from error
    folder = _folder_now(area, by_roll)
    if any(sink.folder is not folder for sink in written):
        raise ParcelDamagedError(
            "The storage was mounted anew meanwhile.", remedy="The parcel is sent again."
        )
    for roll, own in by_roll.items():
        try:
            roll.papers.note(folder, {sink.number: sink.digests for sink in own})
        except OSError as error:
            raise roll.failed(error, None) from error
        for sink in own:
            roll.check_current(sink)


def _folder_now(area: Area, by_roll: Iterable[ReceivingRoll]) -> Folder:
    try:
        return area.folder()
    except HeldError as error:
        for roll in by_roll:
            roll.note_trouble(error)
        raise


def _record(journal: Journal, roll: ReceivingRoll, sinks: list[ParcelSink]) -> None:
    recorded = {sink.number: sink.digests for sink in sinks}
    added = sum(roll.plan.length_bytes(number) for number in recorded)
    with journal.write() as db:
        for sink in sinks:  # in here: the numbers may be those of another cut by now
            roll.check_current(sink)
        parcels.record_durable(db, roll.roll_id, recorded)
        parcels.forget_proofs(db, roll.roll_id, roll.proved_among(roll.files_of(recorded)))
        rolls.set_moved(db, roll.roll_id, roll.durable_bytes() + added)
    roll.count_durable(recorded)


class ReceivingRolls:
    """All unfinished rolls of a storage by id: what lanes write into."""

    def __init__(self, area: Area, journal: Journal) -> None:
        self._area = area
        self._journal = journal
        self._lock = threading.Lock()
        self._rolls: dict[str, ReceivingRoll] = {}

    def add(self, roll: ReceivingRoll) -> ReceivingRoll:
        """Take a roll in; one that is known already stays."""
        with self._lock:
            return self._rolls.setdefault(roll.roll_id, roll)

    def get(self, roll_id: str) -> ReceivingRoll | None:
        """Return a roll by id."""
        with self._lock:
            return self._rolls.get(roll_id)

    def remove(self, roll_id: str) -> None:
        """Write no parcel of a roll any more; one that comes late is taken and left out."""
        with self._lock:
            roll = self._rolls.pop(roll_id, None)
        if roll is not None:
            roll.close()

    def begin(self, roll_id: str, number: int, evidence: bytes = b"") -> Sink:
        """Take one parcel; evidence as in ParcelHead. Raises HeldError, ParcelDamagedError."""
        with self._lock:
            roll = self._rolls.get(roll_id)
        return self._spare(roll_id, number) if roll is None else roll.begin(number, evidence)

    def _spare(self, roll_id: str, number: int) -> Sink:
        """Leave out a parcel of a published roll: a lane that was cut may bring it once more.

        What there is to know of it is in the journal; a roll of many files is not kept in memory
        for so rare a case.
        """
        with self._journal.read() as db:
            row = rolls.get(db, roll_id)
            if row is None or is_before(row.stage, Stage.LANDED):
                raise HeldError(
                    HeldCode.PEER_REFUSED,
                    f"Roll {roll_id} is not expected here.",
                    remedy="It is offered again, which tells what is lacking.",
                )
            plan = ParcelPlan(rolls.load_inventory(db, roll_id))
        return SparedSink(plan, check_number(plan, number))

    def commit(self, sinks: Iterable[Sink]) -> None:
        """Return when sinks are durable and journalled. Raises HeldError, ParcelDamagedError."""
        commit_sinks(self._journal, self._area, sinks)


class PeerIntake:
    """What the lanes of one peer write into: its own rolls, and no other peer's.

    trespassed: told once a parcel comes for a roll of another peer; may block.
    """

    def __init__(
        self,
        receiving: ReceivingRolls,
        journal: Journal,
        peer: str,
        trespassed: Callable[[NotAllowedError], None],
    ) -> None:
        self._receiving = receiving
        self._journal = journal
        self._peer = peer
        self._trespassed = trespassed

    def begin(self, roll_id: str, number: int, evidence: bytes = b"") -> Sink:
        """Take one parcel, as ReceivingRolls.begin() does; of nobody else's roll."""
        try:
            with self._journal.read() as db:
                row = rolls.get(db, roll_id)
        except JournalError as error:
            raise ParcelDamagedError(error.problem, remedy=error.remedy) from error
        if row is not None and (row.origin is not Origin.PEER or row.peer != self._peer):
            wrong = NotAllowedError(
                f"{self._peer} sends parcels of {row.day}/{row.name}, which is not its own.",
                remedy="It is to offer the roll, and to send it once it is told to.",
            )
            self._trespassed(wrong)
            raise HeldError(HeldCode.PEER_REFUSED, wrong.problem, remedy=wrong.remedy)
        return self._receiving.begin(roll_id, number, evidence)

    def commit(self, sinks: Iterable[Sink]) -> None:
        """Return when sinks are durable and journalled. Raises HeldError, ParcelDamagedError."""
        self._receiving.commit(sinks)
