"""Taking up what lies on the storage and is not in the journal: a new journal, or a new box.

Owns: which records are looked at and when, that a published roll is read back before it is listed,
and what of the storage nobody knows. Must not: remove anything, or touch what the journal knows.

A roll taken up so is ready without the notices of a new one if everybody was told of it before;
that is noted on the storage, too. Otherwise it is told as new: at least once holds, twice may be.
"""

import errno
import logging
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from types import MappingProxyType

from syncd.counted import counted, named
from syncd.errors import HeldError
from syncd.journal import looks, notices, parcels, rolls
from syncd.journal.astray import ADOPTED_KIND
from syncd.journal.journal import Connection, Journal
from syncd.journal.rolls import Origin
from syncd.limits import RESCAN_S, SELF_CURE_RETRY_S
from syncd.ports import Entry, EntryKind, Folder, Ports
from syncd.repeats import Repeats
from syncd.roll.droppings import is_dropping
from syncd.roll.inventory import FileEntry
from syncd.roll.stages import STAGE_ORDER, HeldCode, Stage, is_before
from syncd.storage import papers
from syncd.storage.amounts import human
from syncd.storage.area import Area
from syncd.storage.layout import INCOMING, ROLLS, file_at, incoming_of, target_of, walk
from syncd.storage.left_records import LeftRecords
from syncd.storage.manifests import evidence_wrong, find_wrong_evidence, why_evidence_wrong
from syncd.storage.missing import is_there
from syncd.storage.outcomes import add_published
from syncd.storage.publishing import discard_incoming
from syncd.storage.reading import hash_stored
from syncd.storage.records import PublishedRecord
from syncd.storage.rereading import Proved, found_wrong, why_wrong
from syncd.storage.troubles import PASSING, storage_trouble, stored_unreadable
from syncd.storage.untaken import Untaken
from syncd.storage.watched import Watched

log = logging.getLogger(__name__)

_NOT_AS_IT_WAS = "read back, and not as it was published"
_NEWS = (Stage.LANDED.value, Stage.READY.value)
_READY = tuple(stage for stage in STAGE_ORDER if not is_before(stage, Stage.READY))
STRAYS_NAMED_MAX = 5
NO_RECORD = (
    "Put this record back from a copy of the storage's .syncd/rolls, or hand the roll over again: "
    "it is compared with what lies there. If its roll is not wanted, remove the record by hand."
)
_ID_LENGTH = 32
# Of a box without room for more files or memory, or a storage that comes and goes.
_PASSING = PASSING | {errno.EMFILE, errno.ENFILE, errno.ENOMEM}


@dataclass(frozen=True, slots=True)
class Stray:
    """A folder in incoming that belongs to no roll that is known."""

    name: str
    size_bytes: int


class _UnreadableError(Exception):
    """A file of a published roll cannot be read. path: relative to the roll."""

    def __init__(self, path: str, cause: OSError) -> None:
        super().__init__(f"{path}: {cause}")
        self.path = path
        self.cause = cause


class Adopting:
    """Takes stock of one storage at the start and every RESCAN_S, until cancelled.

    own_name: of this box. subscribers: the names of those who are told that rolls are ready.
    unclaimed: gets the ids of unfinished rolls that were taken up; who offers one takes it out.
    """

    def __init__(
        self,
        area: Area,
        journal: Journal,
        ports: Ports,
        *,
        own_name: str,
        subscribers: Sequence[str],
        unclaimed: set[str],
    ) -> None:
        self.strays: tuple[Stray, ...] = ()
        self.waiting_count = 0
        self.untaken = Untaken(area, ports.clock)
        self.left_records = LeftRecords(area, journal, ports.clock, own_name=own_name)
        self._repeats = Repeats(log, ports.clock)
        self._watched = Watched(area)
        self._own_name = own_name
        self._area = area
        self._journal = journal
        self._ports = ports
        self._subscribers = tuple(subscribers)
        self._unclaimed = unclaimed
        self._told: set[str] = set()

    async def run(self) -> None:
        """Take stock, read back what is unknown, note who was told; for ever."""
        aside = self._ports.disk.aside
        due_s = float("-inf")
        while True:
            try:
                if self._ports.clock.monotonic_s() >= due_s:
                    await self._take_up()
                    due_s = self._ports.clock.monotonic_s() + RESCAN_S
                for roll_id in await aside(self._due):
                    await aside(self.adopt_published, roll_id)
                await aside(self._note_told)
                await aside(self.left_records.note_put_away)
            except HeldError as error:
                if error.code is HeldCode.STORAGE_ERROR:
                    self._repeats.trouble("storage", str(error))
                else:  # absent or full; `syncd check` says so
                    log.debug("%s", error)
            await self._ports.clock.sleep(SELF_CURE_RETRY_S)

    async def _take_up(self) -> None:
        """Look at everything once. Raises HeldError only if the storage is absent."""
        self.untaken.begin()
        try:
            unknown = await self._ports.disk.aside(self.take_stock)
            for place, roll_id in enumerate(unknown):
                self.waiting_count = len(unknown) - place
                await self._ports.disk.aside(self.adopt_published, roll_id)
        finally:
            self.waiting_count = 0
        await self._take_up_gone(unknown)
        self.untaken.end()

    async def _take_up_gone(self, roll_ids: Sequence[str]) -> None:
        """List rolls of which only the record is left, after all that lie there are known."""
        found = []
        for roll_id in roll_ids:
            with self.untaken.trying(papers.published_path(roll_id)):
                published_utc_ms = await self._ports.disk.aside(self.left_records.find, roll_id)
                if published_utc_ms is not None:
                    found.append((published_utc_ms, roll_id))
        for _, roll_id in sorted(found, reverse=True):  # of two under one name the last one counts
            with self.untaken.trying(papers.published_path(roll_id)):
                await self._ports.disk.aside(self.left_records.take_up, roll_id)

    def problem(self) -> str:
        """Say what of the storage nobody knows; "" if there is nothing."""
        if not self.strays:
            return ""
        strays = named([f"{s.name} ({human(s.size_bytes)})" for s in self.strays], STRAYS_NAMED_MAX)
        return (
            f"In {self._area.path}/{INCOMING} lies what belongs to no roll that is known: {strays}"
            ". If no offload box brings these rolls again, remove them by hand: syncd deletes "
            "nothing that it has not proved elsewhere."
        )

    def progress(self) -> str:
        """Say how many rolls are still to be read back before they are listed; "" if none."""
        if not self.waiting_count:
            return ""
        named = counted(self.waiting_count, "published roll")
        return f"{named} that the journal lacks: still to be read back before being listed."

    # Blocking

    def take_stock(self) -> list[str]:
        """Take up unfinished rolls; return the published ones that are to be read back.

        Raises HeldError if the storage is absent.
        """
        folder = self._area.present()
        published = self._entries(folder, ROLLS)
        incoming = self._entries(folder, INCOMING)
        with self._journal.read() as db:  # last: what has begun meanwhile is no stray
            known = looks.all_ids(db)
        strays = []
        for entry in incoming:
            if entry.name not in known and not is_dropping(entry.name):
                with self.untaken.trying(incoming_of(entry.name)):
                    if not self._adopt_unfinished(folder, entry):
                        size_bytes = _size_bytes(folder, incoming_of(entry.name))
                        strays.append(Stray(entry.name, size_bytes))
        self.strays = tuple(strays)
        self.left_records.noted([entry.name for entry in published], known)
        return list(self._unknown(published, known))

    def _entries(self, folder: Folder, path: str) -> list[Entry]:
        with self.untaken.trying(path), suppress(FileNotFoundError):
            return folder.scan(path)
        return []

    def _unknown(self, published: list[Entry], known: set[str]) -> Iterator[str]:
        """Yield the ids of published rolls that the journal lacks; note what cannot be a record."""
        names = {entry.name for entry in published}
        for entry in published:
            roll_id, _, rest = entry.name.partition(".")
            if not _is_id(roll_id) or roll_id in known:
                continue
            path = f"{ROLLS}/{entry.name}"
            if not rest and entry.kind is EntryKind.FILE:
                yield roll_id
            elif not rest:
                self.untaken.note(path, "it is no regular file", NO_RECORD)
            elif f".{rest}".startswith(papers.ASIDE) and roll_id not in names:
                self.untaken.note(path, "a record that is not as syncd wrote it", NO_RECORD)

    def _adopt_unfinished(self, folder: Folder, entry: Entry) -> bool:
        """Take up a roll that had begun to come in; its parcels are recalled when it is opened."""
        name = entry.name
        is_one = _is_id(name) and entry.kind is EntryKind.FOLDER
        record = papers.find_roll(folder, name) if is_one else None
        if record is None:
            return False
        if papers.is_published(folder, record.inventory) and papers.find_published(folder, name):
            return True  # what is left of it here is cleared once that is proved
        now = self._ports.clock.utc_ms()
        text = "taken up again from what the storage notes of it; the journal did not know it"
        with self._journal.write() as db:
            if rolls.add_roll(
                db,
                record.inventory,
                origin=Origin.PEER,
                peer=record.peer,
                stage=Stage.MOVING,
                route="peer",
                now_utc_ms=now,
            ):
                rolls.note(db, name, text, now_utc_ms=now)
                self._unclaimed.add(name)
        return True

    def adopt_published(self, roll_id: str) -> None:
        """Read a published roll back and list it, held if it cannot be read.

        What cannot even be looked at is noted. Raises HeldError if the storage is absent.
        """
        folder = self._area.present()
        path = papers.published_path(roll_id)
        with self.untaken.trying(path):
            record = papers.find_published(folder, roll_id)
            if record is not None and papers.is_published(folder, record.inventory):
                self._read_back(folder, record, is_told=papers.is_told(folder, roll_id))
            elif record is None and folder.stat(f"{path}{papers.ASIDE}") is not None:
                reason = "a record that is not as syncd wrote it"
                self.untaken.note(f"{path}{papers.ASIDE}", reason, NO_RECORD)
            # Else it is gone, for left_records.py, or it is not published yet.

    def _read_back(self, folder: Folder, record: PublishedRecord, *, is_told: bool) -> None:
        """Compare a roll with its record and list it. Raises OSError, HeldError(absent)."""
        changed_ns: dict[str, int] = {}
        found = None
        try:
            found = next(_wrong(self._area, folder, record, changed_ns), None)
            wrong = None if found is None else self._why_wrong(folder, record, found[0])
        except _UnreadableError as error:
            self._area.present()
            if error.cause.errno in _PASSING:
                raise error.cause from error  # no fault of this roll
            wrong = stored_unreadable(target_of(record.inventory), error.path, error.cause)
        if wrong is not None and _is_superseded(folder, record):
            return
        now = self._ports.clock.utc_ms()
        record_adopted(
            self._journal,
            record,
            is_told=is_told,
            now_utc_ms=now,
            wrong=wrong,
            changed_ns=changed_ns,
        )
        if wrong is not None:  # that it is held is logged from the journal
            self._note_read(record.inventory.roll_id, found)
            return
        with suppress(OSError):  # proved to be left over; cleared at the next start, if not now
            discard_incoming(folder, record.inventory.roll_id)

    def _why_wrong(self, folder: Folder, record: PublishedRecord, path: str) -> HeldError:
        """Read a wrong file once more, for all that is known of what it was. Raises OSError."""
        disk, inventory, target = self._area.disk, record.inventory, target_of(record.inventory)
        kept = {entry.path: entry.digests for entry in record.media()}
        listed = next((entry for entry in record.evidence if entry.path == path), None)
        try:
            if listed is None:
                entry = next(entry for entry in inventory.files if entry.path == path)
                proved = Proved(entry, kept.get(path, ()), ())
                reason = why_wrong(disk, folder, f"{target}/{path}", proved)
            else:
                box = self._own_name
                wrong = find_wrong_evidence(disk, folder, inventory, record.evidence, box)
                if wrong is not None:
                    return wrong
                reason = ""
        except OSError as error:
            raise _UnreadableError(path, error) from error
        reason = reason or "read twice, it gave other bytes the first time"
        if listed is None:
            return found_wrong(inventory, path, reason, self._own_name)
        return evidence_wrong(inventory, [(path, reason)], self._own_name)

    def _note_read(self, roll_id: str, found: tuple[str, Entry | None] | None) -> None:
        """Remember what a wrong file was, so that another one in its place is read by itself."""
        with self._journal.read() as db:
            row = rolls.get(db, roll_id)
        if row is not None and found is not None:
            self._watched.note_read(row, *found)

    def _due(self) -> list[str]:
        """Return rolls that were found wrong here and are to be read again.

        A person says so, or what was wrong is another file by now. One that is gone meanwhile is
        not wrong any more; rechecking.py tells of it. Raises HeldError if the storage is absent.
        """
        folder = self._area.present()
        with self._journal.read() as db:
            rows = rolls.unfinished(db, Origin.PEER)
            rows = [row for row in rows if not is_before(row.stage, Stage.LANDED)]
            asked = {each.roll_id for each in rows if rolls.is_reading_asked(db, each.roll_id)}
        self._watched.keep([row.roll_id for row in rows])
        gone = [row for row in rows if row.held is not None and row.astray is not None]
        if gone:
            now = self._ports.clock.utc_ms()
            with self._journal.write() as db:
                for row in gone:
                    rolls.release(db, row.roll_id, now_utc_ms=now)
        due = []
        for row in rows:
            is_due = row.held is None or row.roll_id in asked or self._watched.is_changed(row)
            if is_due and (row.astray is None or is_there(folder, row.published_path or "")):
                due.append(row.roll_id)
        return due

    def _note_told(self) -> None:
        """Note on the storage of which rolls everybody was told."""
        with self._journal.read() as db:
            served = min((notices.cursor(db, name) for name in self._subscribers), default=None)
            ready = looks.ids_of(db, Origin.PEER, _READY)
            ids = [roll_id for roll_id in ready if roll_id not in self._told]
            waiting = set() if served is None else _untold(db, ids, served)
        ids = [roll_id for roll_id in ids if roll_id not in waiting]
        if not ids:
            return
        folder = self._area.present()
        for roll_id in ids:
            try:
                if folder.stat(papers.published_path(roll_id)) is not None:
                    papers.note_told(folder, roll_id)
            except OSError as error:
                raise storage_trouble(self._area.path, error) from error
            self._told.add(roll_id)


def _untold(db: Connection, roll_ids: list[str], served: int) -> set[str | None]:
    """Return those rolls whose news somebody has still to be told, or may have."""
    limit = len(_NEWS) * len(roll_ids)  # each roll becomes either once
    rows = notices.after(db, served, limit=limit, roll_ids=roll_ids, kinds=_NEWS)
    return {notice.roll_id for notice in rows}


def record_adopted(
    journal: Journal,
    record: PublishedRecord,
    *,
    is_told: bool,
    now_utc_ms: int,
    wrong: HeldError | None = None,
    changed_ns: Mapping[str, int] = MappingProxyType({}),
) -> None:
    """List a published roll that the journal lacked: ready, or held for what is wrong with it.

    changed_ns: the change time of each file before it was read just now, as far as one was.
    """
    inventory = record.inventory
    roll_id, target = inventory.roll_id, target_of(inventory)
    ends = Stage.READY if wrong is None else Stage.LANDED
    quiet = ADOPTED_KIND if is_told or wrong is not None else None
    with journal.write() as db:
        is_new = add_published(
            db,
            record,
            stage=ends,
            now_utc_ms=record.published_utc_ms if is_told else now_utc_ms,
            kind=quiet,
        )
        if is_new:
            how = "read back and compared" if wrong is None else _NOT_AS_IT_WAS
            text = f"found on the storage as {target}, {how}"
            rolls.note(db, roll_id, text, now_utc_ms=now_utc_ms)
        elif rolls.is_reading_asked(db, roll_id):
            rolls.ask_reading(db, roll_id, False)
        if not is_new and wrong is None:
            rolls.release(db, roll_id, now_utc_ms=now_utc_ms)
            kind = ADOPTED_KIND if is_told else None
            note = "read back again and found as it was published"
            rolls.set_stage(db, roll_id, Stage.READY, now_utc_ms=now_utc_ms, note=note, kind=kind)
        times = {
            i: changed_ns[e.path] for i, e in enumerate(inventory.files) if e.path in changed_ns
        }
        parcels.record_change_times(db, roll_id, times)
        if wrong is not None:
            text = str(wrong)
            rolls.hold(db, roll_id, wrong.code, text, wrong.path, now_utc_ms=now_utc_ms)


def _is_superseded(folder: Folder, record: PublishedRecord) -> bool:
    """Tell whether another roll was published under this name since: a person made way for it."""
    own_id, target = record.inventory.roll_id, target_of(record.inventory)
    for entry in folder.scan(ROLLS):
        if not _is_id(entry.name) or entry.name == own_id:
            continue
        with suppress(OSError):  # it is noted when its own turn comes, and says nothing here
            other = papers.find_published(folder, entry.name)
            if other is not None and target_of(other.inventory) == target:
                return True
    return False


def _wrong(
    area: Area, folder: Folder, record: PublishedRecord, changed_ns: dict[str, int]
) -> Iterator[tuple[str, Entry | None]]:
    """Yield the files of a published roll that are not what was proved when it was published.

    With each what it was before it was read.
    changed_ns: gets the change time that each good file had before it was read.
    Raises _UnreadableError.
    """
    target = target_of(record.inventory)
    for entry in record.media():
        try:
            there = file_at(folder, f"{target}/{entry.path}")
            if there is None or not _is_as_proved(area, folder, target, entry, there):
                yield entry.path, there
            else:
                changed_ns[entry.path] = there.changed_ns
        except OSError as error:
            raise _UnreadableError(entry.path, error) from error
    for entry in record.evidence:
        try:
            there = file_at(folder, f"{target}/{entry.path}")
            if why_evidence_wrong(area.disk, folder, target, entry, record.evidence):
                yield entry.path, there
        except OSError as error:
            raise _UnreadableError(entry.path, error) from error


def _is_as_proved(area: Area, folder: Folder, target: str, entry: FileEntry, there: Entry) -> bool:
    if there.kind is not EntryKind.FILE or there.size_bytes != entry.size_bytes:
        return False
    path = f"{target}/{entry.path}"
    algorithms = [digest.algorithm for digest in entry.digests]
    return hash_stored(area.disk, folder, path, algorithms, past_cache=True) == entry.digests


def _is_id(name: str) -> bool:
    return len(name) == _ID_LENGTH and all(c in "0123456789abcdef" for c in name)


def _size_bytes(folder: Folder, path: str) -> int:
    try:
        there = folder.stat(path)
        if there is not None and there.kind is not EntryKind.FOLDER:
            return there.size_bytes
        return sum(entry.size_bytes for _, entry in walk(folder, path))
    except FileNotFoundError:
        return 0
