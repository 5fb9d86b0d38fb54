"""Offers of rolls that the journal knows as published: the storage is asked before *have* is said.

Owns: that *have* is true now, not only once; what becomes of a roll that a person took away, or
of which a file is not as it was. Must not: change what is published (promise 2).
"""

import asyncio
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from typing import NoReturn

from syncd.errors import HeldError
from syncd.journal import parcels, rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin, RollRow
from syncd.ports import Ports
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.stages import HeldCode, Stage
from syncd.storage.area import Area
from syncd.storage.layout import target_of
from syncd.storage.manifests import find_wrong_evidence
from syncd.storage.missing import is_there
from syncd.storage.papers import disown
from syncd.storage.standing import Times, find_doubtful, known_times, read_again
from syncd.storage.taken import name_taken
from syncd.storage.troubles import storage_trouble
from syncd.wire.messages import Offer, OfferAnswer, OfferKind

READINGS_MAX = 2  # of one roll, before it is answered for without regard to change times


class HadRolls:
    """Answers for published rolls. Reading runs beside the loop, over several offers if need be.

    gone: rolls that are no longer on the storage and were forgotten, until they are taken again,
    each with the words that say so.
    """

    def __init__(self, *, ports: Ports, journal: Journal, area: Area, own_name: str) -> None:
        self.gone: dict[str, str] = {}
        self._ports = ports
        self._journal = journal
        self._area = area
        self._own_name = own_name
        self._reading: dict[str, asyncio.Task[dict[str, Times]]] = {}
        self._read: dict[str, dict[str, Times]] = {}
        self._readings: Counter[str] = Counter()

    async def answer(
        self, head: Offer, row: RollRow, *, may_release: bool = True
    ) -> OfferAnswer | None:
        """Answer for a roll that is published as far as the journal knows.

        may_release: the roll is the asker's own, so that a person there can let it go on here.
        None: it is no longer there, and forgotten; it is to be taken as new.
        Raises HeldError for what keeps it from being had, journalled if it is the roll's fault.
        """
        path = row.published_path or f"{row.day}/{row.name}"
        if row.origin is not Origin.PEER:
            return have(path)
        aside = self._ports.disk.aside
        if row.held is not None:
            if not (head.released and may_release):
                raise HeldError(row.held.code, row.held.message, remedy="", path=row.held.path)
            await aside(self._release, row.roll_id)
        inventory, known = await aside(self._known, row)
        try:
            doubtful = await self._doubtful(row.roll_id, inventory, known)
        except HeldError as error:
            await aside(self._refuse, row.roll_id, inventory, error)
        if doubtful:
            return _wait("compared with what was published, by reading it")
        if doubtful is not None and row.stage is Stage.LANDED:
            # Found wrong at a start, and let go on by a person since: adopting.py reads all of it.
            return _wait("read back again on the storage")
        read = self._read.pop(row.roll_id, {})
        self._readings.pop(row.roll_id, None)
        if read and doubtful is not None:
            await aside(self._note_read, row.roll_id, inventory, read)
        if doubtful is None:
            await aside(self._forget, row.roll_id)
            return None
        if row.same_as is None and not await aside(self._has_evidence, row.roll_id, inventory):
            return _wait("looked for once more")
        return have(path)

    async def _doubtful(
        self, roll_id: str, inventory: Inventory, known: Mapping[str, Times]
    ) -> list[FileEntry] | None:
        """Return what is still to be read again; None if the roll is gone. Raises HeldError."""
        aside = self._ports.disk.aside
        read = self._read.setdefault(roll_id, {})
        task = self._reading.get(roll_id)
        if task is None:
            doubtful = await aside(find_doubtful, self._area, inventory, {**known, **read})
            if not doubtful:
                return doubtful
            work = aside(read_again, self._area, roll_id, inventory, doubtful)
            task = self._reading.setdefault(roll_id, asyncio.ensure_future(work))
        await asyncio.wait([task], timeout=1.0)
        if task.done():
            self._reading.pop(roll_id, None)  # the same offer may be asked twice at a time
            read.update(task.result())
            self._readings[roll_id] += 1
        # Looked at once more, however long ago it was read. Where a change time is another at each
        # look, it says nothing: what was read for it so often is as good as reading can tell.
        moody = frozenset(read if self._readings[roll_id] >= READINGS_MAX else ())
        return await aside(find_doubtful, self._area, inventory, {**known, **read}, moody)

    # Blocking

    def _known(self, row: RollRow) -> tuple[Inventory, dict[str, Times]]:
        """Return a roll's inventory, and the times of its files when they were last read.

        Under the name by which it lies on the storage, if it is another offer of a roll there.
        """
        with self._journal.read() as db:
            inventory = rolls.load_inventory(db, row.roll_id)
            other = None if row.same_as is None else rolls.get(db, row.same_as)
            known = known_times(inventory, parcels.change_times(db, row.roll_id))
            if other is not None:
                theirs = rolls.load_inventory(db, other.roll_id)
                known = known_times(theirs, parcels.change_times(db, other.roll_id)) | known
        if other is not None:
            inventory = replace(inventory, day=other.day, name=other.name)
        return inventory, known

    def _has_evidence(self, roll_id: str, inventory: Inventory) -> bool:
        """Read a roll's manifests and lists, and hold it if one is not as it was.

        False: the roll is gone by now. Raises HeldError.
        """
        with self._journal.read() as db:
            evidence = rolls.load_published_evidence(db, roll_id)
        disk, folder = self._area.disk, self._area.present()
        try:
            wrong = find_wrong_evidence(disk, folder, inventory, evidence, self._own_name)
        except OSError as error:
            raise storage_trouble(self._area.path, error) from error
        self._area.present()  # what is not found on a storage that went away meanwhile is not gone
        if wrong is None:
            return True
        if is_there(folder, target_of(inventory)):
            self._refuse(roll_id, inventory, wrong)
        return False

    def _note_read(self, roll_id: str, inventory: Inventory, read: Mapping[str, Times]) -> None:
        """Journal the change times of what was read again, so that it is not at each offer."""
        times = {
            index: read[entry.path].changed_ns
            for index, entry in enumerate(inventory.files)
            if entry.path in read
        }
        with self._journal.write() as db:
            if rolls.get(db, roll_id) is not None:
                parcels.record_change_times(db, roll_id, times)

    def _release(self, roll_id: str) -> None:
        with self._journal.write() as db:
            rolls.release(db, roll_id, now_utc_ms=self._ports.clock.utc_ms())

    def _refuse(self, roll_id: str, inventory: Inventory, error: HeldError) -> NoReturn:
        """Hold a roll here, too, of which a file is wrong, unless another one took its name."""
        if error.code is not HeldCode.READ_BACK_MISMATCH:
            raise error
        target = target_of(inventory)
        with self._journal.write() as db:
            row = rolls.get(db, roll_id)
            others = [
                other
                for other in rolls.find(db, inventory.name)
                if other.roll_id != roll_id
                and other.same_as is None
                and other.published_path == target
            ]
            # One that only has another's content is not listed: it could not be let go on.
            if row is not None and row.same_as is None and not others:
                now = self._ports.clock.utc_ms()
                message = str(error).strip()
                rolls.hold(db, roll_id, error.code, message, error.path, now_utc_ms=now)
        if others:
            raise name_taken(self._area.present(), inventory) from error
        raise error

    def _forget(self, roll_id: str) -> None:
        """Forget a roll that a person took away; its notices stay. Raises HeldError.

        Its record goes first: else it would be listed as gone once more until it is taken anew.
        """
        with self._journal.read() as db:
            row = rolls.get(db, roll_id)
        if row is None or row.published_path is None:
            return  # the same offer, asked twice at a time: forgotten, or taken again already
        try:
            disown(self._area.present(), roll_id)
        except OSError as error:
            raise storage_trouble(self._area.path, error) from error
        with self._journal.write() as db:
            row = rolls.get(db, roll_id)
            if row is None or row.published_path is None:
                return
            text = f"no longer on the storage: {self._area.path}/{row.published_path} is gone"
            rolls.note(db, roll_id, text, now_utc_ms=self._ports.clock.utc_ms())
            rolls.give_up(db, roll_id)
        self.gone[roll_id] = text


def have(path: str) -> OfferAnswer:
    """Say that a roll need not travel."""
    return OfferAnswer(kind=OfferKind.HAVE, message=f"already on the storage as {path}")


def _wait(what: str) -> OfferAnswer:
    return OfferAnswer(kind=OfferKind.WAIT, message=what)
