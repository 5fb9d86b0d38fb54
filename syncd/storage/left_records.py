"""Records of published rolls that are gone from the storage, for a journal that lacks the rolls.

Owns: when only the record is left, that its roll is listed as gone, as if this box had known it;
and the note on the storage that a person put one away for good, so that nobody is asked again.
Must not: read media, or call a roll gone that is unfinished, or made way for another one.
"""

import logging
from collections.abc import Callable, Container, Iterable

from syncd.journal import astray, looks, rolls
from syncd.journal.journal import Connection, Journal
from syncd.journal.rolls import Origin
from syncd.ports import Clock, Folder
from syncd.roll.stages import Stage
from syncd.storage import papers
from syncd.storage.area import Area
from syncd.storage.layout import media_root, target_of
from syncd.storage.missing import Missing, find_missing, is_there
from syncd.storage.outcomes import add_published
from syncd.storage.records import PublishedRecord
from syncd.storage.troubles import storage_trouble

log = logging.getLogger(__name__)


class LeftRecords:
    """Takes up such records of one storage. All of it blocks: call it aside.

    own_name: of this box.
    """

    def __init__(self, area: Area, journal: Journal, clock: Clock, *, own_name: str) -> None:
        # Set by whoever looks where rolls lie: called when one is listed as gone.
        self.taken_up: Callable[[], None] = lambda: None
        self._area = area
        self._journal = journal
        self._clock = clock
        self._own_name = own_name
        self._noted: set[str] = set()

    def find(self, roll_id: str) -> int | None:
        """Return when a roll was published of which only the record is left; None for any other.

        Raises OSError, HeldError if the storage is absent.
        """
        with self._journal.read() as db:
            if rolls.get(db, roll_id) is not None:
                return None
        folder = self._area.present()
        record = papers.find_published(folder, roll_id)
        return record.published_utc_ms if record is not None and _is_left(folder, record) else None

    def take_up(self, roll_id: str) -> None:
        """List a roll of which only the record is left: gone, or put away if that is noted.

        Raises OSError, HeldError if the storage is absent.
        """
        folder = self._area.present()
        record = papers.find_published(folder, roll_id)
        if record is None or self._is_superseded(folder, record):
            return
        with self._journal.read() as db:
            taken = looks.published_paths(db)
        found = find_missing(folder, self._area.path, record.inventory, self._own_name, taken)
        is_told = papers.is_told(folder, roll_id)
        is_put_away = papers.is_put_away(folder, roll_id)
        if found is None or not _is_left(folder, record) or self._area.present() is not folder:
            return  # what is missing on a storage that went away meanwhile is not gone
        now = self._clock.utc_ms()
        with self._journal.write() as db:
            if not _add(db, record, is_told=is_told or is_put_away):
                return
            _say(db, roll_id, found, is_put_away=is_put_away, now_utc_ms=now)
        if not is_put_away:
            log.warning("%s %s", found.message, found.remedy)
        self.taken_up()

    def _is_superseded(self, folder: Folder, record: PublishedRecord) -> bool:
        """Tell whether the journal has a roll that was published under this name later."""
        target = target_of(record.inventory)
        with self._journal.read() as db:
            ids = [
                row.roll_id
                for row in rolls.find(db, target)
                if row.same_as is None and row.published_path == target
            ]
        for other_id in ids:
            other = papers.find_published(folder, other_id)
            if other is None or other.published_utc_ms >= record.published_utc_ms:
                return True
        return False

    def noted(self, names: Iterable[str], known: Container[str]) -> None:
        """Take from the names of all records which of the known rolls are noted as put away.

        Of what the journal lacks, the note is read when it is taken up.
        """
        noted = (name.partition(papers.PUT_AWAY) for name in names)
        self._noted = {
            roll_id for roll_id, mark, rest in noted if mark and not rest and roll_id in known
        }

    def note_put_away(self) -> None:
        """Note on the storage which rolls are put away, and no more which are not.

        Raises HeldError if it cannot be written.
        """
        with self._journal.read() as db:
            away = looks.put_away(db, Origin.PEER)
        if away == self._noted:
            return
        folder = self._area.present()
        try:
            for roll_id in sorted(away - self._noted):
                if folder.stat(papers.published_path(roll_id)) is not None:
                    papers.note_put_away(folder, roll_id)
                self._noted.add(roll_id)
            for roll_id in sorted(self._noted - away):
                papers.forget_put_away(folder, roll_id)
                self._noted.discard(roll_id)
        except OSError as error:
            raise storage_trouble(self._area.path, error) from error


def _is_left(folder: Folder, record: PublishedRecord) -> bool:
    """Tell whether a roll is neither where it was published nor unfinished: only its record is.

    A crash before the rename that publishes it leaves a record, too, and its media in incoming.
    """
    roll_id = record.inventory.roll_id
    unfinished = (media_root(roll_id), papers.inventory_path(roll_id))
    if any(folder.stat(path) is not None for path in unfinished):
        return False
    return not is_there(folder, target_of(record.inventory))


def _add(db: Connection, record: PublishedRecord, *, is_told: bool) -> bool:
    """List a roll as published; False if the journal has it by now.

    One of which not everybody was told is not called ready before it was read back, should it be
    there again: adopting.py does so, and its notices are told then.
    """
    return add_published(
        db,
        record,
        stage=Stage.READY if is_told else Stage.LANDED,
        now_utc_ms=record.published_utc_ms,
        kind="note",
    )


def _say(
    db: Connection, roll_id: str, found: Missing, *, is_put_away: bool, now_utc_ms: int
) -> None:
    row = rolls.get(db, roll_id)
    assert row is not None, "just added"
    say = astray.find_put_away if is_put_away else astray.stray
    say(db, row, found.message, now_utc_ms=now_utc_ms)
