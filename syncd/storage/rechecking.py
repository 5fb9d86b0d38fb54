"""Published rolls that somebody doubts, that were found wrong, or that are not where they were.

Owns: when a published file is read again; that a roll found wrong is held, and goes on from where
it was once it is good again; that one which a person moved away is said to be gone.
Must not: change anything on the storage (promise 2), or offer or fetch a roll.

Rolls that were found wrong when they were taken up from the storage are for adopting.py.
"""

import asyncio
import logging
from collections.abc import Callable, Collection, Container, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from syncd.counted import named
from syncd.errors import HeldError
from syncd.journal import astray, looks, parcels, rolls
from syncd.journal.journal import Connection, Journal
from syncd.journal.rolls import Origin, RollRow
from syncd.limits import LOOKS_MAX, RESCAN_S, SELF_CURE_RETRY_S
from syncd.ports import Entry, Folder, Ports
from syncd.roll.digests import Digest
from syncd.roll.inventory import FileEntry, FileKind, Inventory
from syncd.roll.names import printable
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode, Stage, is_before
from syncd.storage.area import Area
from syncd.storage.layout import target_of
from syncd.storage.manifests import evidence_now, find_wrong_evidence
from syncd.storage.missing import Missing, find_missing, is_there
from syncd.storage.papers import find_published
from syncd.storage.rereading import Proved, found_wrong, pieces_of, why_wrong
from syncd.storage.standing import Times, find_doubtful, known_times
from syncd.storage.troubles import storage_trouble
from syncd.storage.watched import Watched, held_path

log = logging.getLogger(__name__)

NAMED_MAX = 5
GOOD_AGAIN = "read back again and found as it was published"


class Rechecking:
    """Looks at the published rolls of one storage until cancelled; safe to ask from the loop.

    missing: rolls that are not where they were published, by id, as of the last round.
    """

    def __init__(self, area: Area, journal: Journal, ports: Ports, *, own_name: str) -> None:
        self.missing: dict[str, Missing] = {}
        # Set by whoever keeps published rolls open for reading.
        self.renewed: Callable[[str], None] = lambda _: None
        self._area = area
        self._journal = journal
        self._ports = ports
        self._own_name = own_name
        self._held: dict[str, str] = {}
        self._watched = Watched(area)
        self._looks: dict[str, asyncio.Task[HeldError | None]] = {}
        self._due_s = float("-inf")

    async def run(self) -> None:
        """Look again at what is held, and once a minute at where all rolls lie; for ever."""
        self.look_soon()
        while True:
            try:
                for roll_id, path in await self._ports.disk.aside(self._due):
                    await self._ports.disk.aside(self.look, roll_id, path)
                if self._ports.clock.monotonic_s() >= self._due_s:
                    for roll_id in await self._ports.disk.aside(self.find_all_missing):
                        with suppress(HeldError):  # one that cannot be read is for itself
                            await self._ports.disk.aside(self.take_back, roll_id)
                    self._due_s = self._ports.clock.monotonic_s() + RESCAN_S
            except HeldError as error:  # the storage is away, or fails; that is said elsewhere
                log.debug("%s", error)
            await self._ports.clock.sleep(SELF_CURE_RETRY_S)

    def look_soon(self) -> None:
        """Look in the next moments whether rolls are where they were; safe from any thread."""
        self._due_s = float("-inf")

    async def ask(self, roll_id: str, path: str) -> HeldError | bool | None:
        """Read a published file again because a peer doubts it; True: ask again, it is being read.

        Returns what is wrong, None if it is as it was published. Raises HeldError if the storage
        cannot be read.
        """
        key = f"{roll_id} {path}"
        task = self._looks.get(key)
        if task is None:
            for other in [other for other, look in self._looks.items() if look.done()]:
                del self._looks[other]  # nobody asked about it again
            if len(self._looks) >= LOOKS_MAX:
                return True
            work = self._ports.disk.aside(self.look, roll_id, path)
            task = self._looks.setdefault(key, asyncio.ensure_future(work))
        await asyncio.wait([task], timeout=1.0)
        if not task.done():
            return True
        self._looks.pop(key, None)  # the same may be asked twice at a time
        return task.result()

    # Blocking

    def problem(self) -> tuple[str, str]:
        """Say which published rolls are wrong, and what to do; "" twice if none is."""
        with self._journal.read() as db:
            wrong = [row for row in _held_wrong(db) if _is_published(row)]
        if not wrong:
            return "", ""
        names = [printable(f"{row.day}/{row.name} ({held_path(row)})") for row in wrong]
        message = f"Not as published any more: {named(names, NAMED_MAX)}."
        return message, "See what is wrong with each: `syncd rolls`."

    def _due(self) -> list[tuple[str, str]]:
        """Return held rolls whose file changed or that a person let go on, with the file."""
        with self._journal.read() as db:
            rows = {row.roll_id: row for row in _held_wrong(db) if _is_found_wrong(row)}
            asked = {each for each in rows if rolls.is_reading_asked(db, each)}
            known = {each for each in self._held if rolls.get(db, each) is not None}
        let_go = [(each, path) for each, path in self._held.items() if each in known - rows.keys()]
        self._watched.keep(rows)
        self._held = {each: held_path(row) for each, row in rows.items()}
        changed = []
        for roll_id, row in self._still_there(rows).items():
            if roll_id in asked or self._watched.is_changed(row):
                changed.append((roll_id, held_path(row)))
        return [*let_go, *changed]

    def _still_there(self, rows: Mapping[str, RollRow]) -> dict[str, RollRow]:
        """Return the held rolls that are where they were published; let go on what is not.

        But only once it is said to be gone: so that it is read again before it is said to be back.
        """
        folder = self._area.present()
        try:
            there = {
                i: row for i, row in rows.items() if is_there(folder, row.published_path or "")
            }
        except OSError as error:
            raise storage_trouble(self._area.path, error) from error
        self._area.present()
        gone = [row for row in rows.values() if row.roll_id not in there and row.astray is not None]
        if gone:
            now = self._ports.clock.utc_ms()
            with self._journal.write() as db:
                for row in gone:
                    self._let_go(db, row.roll_id, now)
        return there

    def _let_go(self, db: Connection, roll_id: str, now_utc_ms: int) -> None:
        """End the hold of a roll that was looked at just now."""
        rolls.ask_reading(db, roll_id, False)
        rolls.release(db, roll_id, now_utc_ms=now_utc_ms)
        self._held.pop(roll_id, None)

    def look(
        self, roll_id: str, path: str, known: Mapping[str, Times] = MappingProxyType({})
    ) -> HeldError | None:
        """Read a file again, and all that is not as it was by size or time; hold, or let go on.

        known: the times that files had when they were read; of what is not in it, all is read.
        Returns what is wrong. Raises HeldError if the storage cannot be read.
        """
        with self._journal.read() as db:
            row = rolls.get(db, roll_id)
            if row is None or row.published_path is None or row.origin is not Origin.PEER:
                return None
            inventory = rolls.load_inventory(db, roll_id)
            evidence = rolls.load_published_evidence(db, roll_id)
        before = self._watched.entry(row, path)
        try:
            found = self._find(roll_id, inventory, evidence, path, known)
        except OSError as error:
            raise storage_trouble(self._area.path, error) from error
        self._area.present()  # what is missing on a storage that went away meanwhile is not gone
        if found is None:  # nothing of it is here any more: it is missing, and not wrong
            self.renewed(roll_id)
            return None
        wrong = found.wrong
        if wrong is not None and wrong.path != path:  # so that another file in its place is noticed
            before = found.before or self._watched.entry(row, wrong.path or "")
        if wrong is not None:
            self._watched.note_read(row, wrong.path or "", before)
        self._record(roll_id, found, inventory, evidence)
        return wrong

    def _find(
        self,
        roll_id: str,
        inventory: Inventory,
        evidence: Sequence[FileEntry],
        path: str,
        known: Mapping[str, Times],
    ) -> "_Found | None":
        """Look at a roll's media and then at its evidence; None if nothing of it is there."""
        try:
            doubtful = find_doubtful(self._area, inventory, known)
        except HeldError as error:
            if error.code is HeldCode.READ_BACK_MISMATCH:
                return _Found(wrong=error)
            raise
        if doubtful is None:
            return None
        folder = self._area.present()
        doubted = {entry.path for entry in doubtful} | {path}
        found = self._read_media(folder, roll_id, inventory, doubted)
        if found.wrong is not None:
            return found
        disk, box = self._area.disk, self._own_name
        wrong = find_wrong_evidence(disk, folder, inventory, evidence, box)
        if wrong is not None:
            return _Found(wrong=wrong)
        return replace(found, evidence=evidence_now(folder, target_of(inventory), evidence))

    def _read_media(
        self, folder: Folder, roll_id: str, inventory: Inventory, doubted: Container[str]
    ) -> "_Found":
        """Read the media files that are doubted, up to the first that is wrong."""
        read: dict[int, Times] = {}
        plan, kept = ParcelPlan(inventory), _kept(folder, roll_id)
        for index, entry in enumerate(inventory.files):
            if entry.path not in doubted or entry.kind is not FileKind.MEDIA:
                continue
            stored = f"{target_of(inventory)}/{entry.path}"
            there = folder.stat(stored)
            pieces = pieces_of(plan, index, lambda numbers: self._digests(roll_id, numbers))
            proved = Proved(entry, kept.get(entry.path, ()), pieces)
            reason = why_wrong(self._area.disk, folder, stored, proved)
            if reason:
                wrong = found_wrong(inventory, entry.path, reason, self._own_name)
                return _Found(wrong=wrong, before=there)
            if there is not None:
                read[index] = Times(there.mtime_ns, there.changed_ns)
        return _Found(read)

    def _digests(self, roll_id: str, numbers: range) -> dict[int, bytes]:
        with self._journal.read() as db:
            return parcels.piece_digests(db, roll_id, numbers)

    def _record(
        self,
        roll_id: str,
        found: "_Found",
        inventory: Inventory,
        evidence: Sequence[FileEntry],
    ) -> None:
        now, wrong = self._ports.clock.utc_ms(), found.wrong
        with self._journal.write() as db:
            row = rolls.get(db, roll_id)
            if row is None:
                return
            rolls.ask_reading(db, roll_id, False)
            if wrong is not None:
                text = str(wrong).strip()
                rolls.hold(db, roll_id, wrong.code, text, wrong.path, now_utc_ms=now)
            else:
                _record_good(db, row, found, inventory, evidence)
                if row.held is not None and row.held.code is HeldCode.READ_BACK_MISMATCH:
                    self._let_go(db, roll_id, now)
                    rolls.note(db, roll_id, GOOD_AGAIN, now_utc_ms=now)
        self.renewed(roll_id)

    # Rolls that are not where they were

    def find_all_missing(self) -> list[str]:
        """Look whether each published roll is where it was published; say once of each that is not.

        Returns those that were not, and are again: take_back() is to see whether they are good.
        """
        with self._journal.read() as db:
            rows = [row for row in rolls.all_rolls(db) if _is_published(row)]
            taken = looks.published_paths(db)
        folder = self._area.present()
        missing: dict[str, Missing] = {}
        for row in rows:
            found = self.find_missing(folder, row, taken)
            if found is not None:
                missing[row.roll_id] = found
        self._area.present()
        self.missing = missing
        for roll_id, found in missing.items():
            self._tell_missing(roll_id, found)
        return [
            row.roll_id for row in rows if row.astray is not None and row.roll_id not in missing
        ]

    def take_back(self, roll_id: str) -> None:
        """Read what is not as it was of a roll that is where it was published again; say so.

        Raises HeldError if it cannot be read.
        """
        with self._journal.read() as db:
            inventory = rolls.load_inventory(db, roll_id)
            known = known_times(inventory, parcels.change_times(db, roll_id))
        wrong = self.look(roll_id, "", known)
        folder = self._area.present()
        with self._journal.read() as db:
            row = rolls.get(db, roll_id)
        if row is None or row.astray is None or self.find_missing(folder, row) is not None:
            return
        how = "but not as it was" if wrong is not None else "and as it was"
        text = f"it is where it was published again, {how}: {row.published_path}"
        log.info("%s: %s", roll_id, text)
        with self._journal.write() as db:
            astray.come_back(db, row, text, now_utc_ms=self._ports.clock.utc_ms())

    def find_missing(
        self, folder: Folder, row: RollRow, taken: Collection[str] | None = None
    ) -> Missing | None:
        """Return what to say if a roll is not where it was published; None if it is there.

        taken: where rolls were published, if that is known.
        """
        try:
            if is_there(folder, row.published_path or ""):
                return None
            with self._journal.read() as db:
                inventory = rolls.load_inventory(db, row.roll_id)
                taken = looks.published_paths(db) if taken is None else taken
            return find_missing(folder, self._area.path, inventory, self._own_name, taken)
        except OSError as error:
            raise storage_trouble(self._area.path, error) from error

    def why_not_there(self, roll_id: str) -> HeldError | None:
        """Return why a roll cannot be read here, to be said on another box; None if it can."""
        with self._journal.read() as db:
            row = rolls.get(db, roll_id)
        try:
            folder = self._area.present()
            found = None if row is None else self.find_missing(folder, row)
        except HeldError as error:
            problem = f"{self._own_name}: {error.problem}"
            return HeldError(HeldCode.SOURCE_UNREADABLE, problem, remedy=error.remedy)
        if found is None:
            return None
        remedy = f"{found.remedy} A fetch goes on by itself once it is there."
        return HeldError(HeldCode.SOURCE_UNREADABLE, found.message, remedy=remedy)

    def _tell_missing(self, roll_id: str, found: Missing) -> None:
        """Put what has changed into history and events; kept, so that a restart repeats nothing."""
        now = self._ports.clock.utc_ms()
        with self._journal.read() as db:
            row = rolls.get(db, roll_id)
        if row is None or row.astray == found.message:
            return
        with self._journal.write() as db:
            is_told = astray.stray(db, row, found.message, now_utc_ms=now)
        if is_told:
            log.warning("%s %s", found.message, found.remedy)


@dataclass(frozen=True, slots=True)
class _Found:
    """What a look found.

    read: the times that media had before they were read, by index. evidence: as it is now.
    wrong: what is; then those say nothing. before: what that file was before it was read, if known.
    """

    read: Mapping[int, Times] = field(default_factory=dict)
    evidence: tuple[FileEntry, ...] = ()
    wrong: HeldError | None = None
    before: Entry | None = None


def _record_good(
    db: Connection,
    row: RollRow,
    found: _Found,
    inventory: Inventory,
    evidence: Sequence[FileEntry],
) -> None:
    """Record the times that files have now, which are as they were published."""
    mtimes_ns = {inventory.files[index].path: each.mtime_ns for index, each in found.read.items()}
    rolls.set_times(db, row.roll_id, mtimes_ns)
    changed_ns = {index: each.changed_ns for index, each in found.read.items()}
    parcels.record_change_times(db, row.roll_id, changed_ns)
    is_as_looked_at = rolls.load_published_evidence(db, row.roll_id) == tuple(evidence)
    if row.published_path is not None and is_as_looked_at and found.evidence != tuple(evidence):
        rolls.set_published(db, row.roll_id, row.published_path, found.evidence)


def _is_published(row: RollRow) -> bool:
    return (
        row.origin is Origin.PEER
        and row.same_as is None
        and row.published_path is not None
        and not is_before(row.stage, Stage.LANDED)
    )


def _held_wrong(db: Connection) -> list[RollRow]:
    return rolls.held_for(db, [HeldCode.READ_BACK_MISMATCH], Origin.PEER)


def _is_found_wrong(row: RollRow) -> bool:
    """Tell whether it is for this module to read it again: it was ready here before."""
    return _is_published(row) and not is_before(row.stage, Stage.READY)


def _kept(folder: Folder, roll_id: str) -> dict[str, tuple[Digest, ...]]:
    """Return the digests that were noted on the storage when the roll was published."""
    record = find_published(folder, roll_id)
    return {} if record is None else {entry.path: entry.digests for entry in record.media()}
