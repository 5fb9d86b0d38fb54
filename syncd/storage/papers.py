"""The records that lie beside rolls on the storage, for a box that has no journal of them.

Owns: where they lie, that the inventory is durable before the first parcel is confirmed, and that
a record which is not as it was written is kept aside and said, never believed.
Must not: decide what becomes of a roll.

The list of parcels is appended to after their bytes are durable and is synced now and then: it can
fall behind them, never run ahead. It is only read where the journal knows nothing of the roll;
and then each file is read back before it counts as proved, as always.
"""

import logging
import threading
from collections.abc import Callable, Mapping
from contextlib import suppress

from syncd.limits import RECORD_BYTES_MAX, RECORD_SYNC_PARCELS
from syncd.ports import EntryKind, Folder
from syncd.roll.inventory import Inventory
from syncd.roll.parcels import ParcelPlan
from syncd.storage.layout import ROLLS, folder_of, incoming_of, media_root, target_of
from syncd.storage.records import (
    PublishedRecord,
    RecordError,
    RollRecord,
    parcel_entries,
    published_record,
    read_parcel_entries,
    read_published_record,
    read_roll_record,
    roll_record,
)

log = logging.getLogger(__name__)

ASIDE = ".not-ours"
TOLD = ".told"
PUT_AWAY = ".put-away"


def inventory_path(roll_id: str) -> str:
    """Return where an unfinished roll's inventory lies."""
    return f"{incoming_of(roll_id)}/inventory"


def parcels_path(roll_id: str) -> str:
    """Return where the list of its durable parcels lies."""
    return f"{incoming_of(roll_id)}/parcels"


def published_path(roll_id: str) -> str:
    """Return where a published roll's record lies."""
    return f"{ROLLS}/{roll_id}"


class RollPapers:
    """The records of one unfinished roll. Safe from several threads.

    peer, known: tell the peer that the roll comes from, and the durable parcels that the journal
    has, when records are to be written from the start.
    """

    def __init__(
        self, inventory: Inventory, peer: Callable[[], str], known: Callable[[], dict[int, bytes]]
    ) -> None:
        self._inventory = inventory
        self._roll_id = inventory.roll_id
        self.peer = peer
        self._known = known
        self._lock = threading.Lock()
        self._end_bytes: int | None = None
        self._unsynced_count = 0

    def note(self, folder: Folder, parcels: Mapping[int, bytes]) -> None:
        """Note parcels that are durable now, before they are confirmed. Raises OSError."""
        with self._lock:
            if self._end_bytes is None or not self._is_there(folder):
                self._lay_down(folder)
            assert self._end_bytes is not None, "just laid down"
            entries = parcel_entries(parcels)
            file = folder.open_write(parcels_path(self._roll_id))
            try:
                file.write([memoryview(entries)], self._end_bytes)
                self._unsynced_count += len(parcels)
                if self._unsynced_count >= RECORD_SYNC_PARCELS:
                    file.sync()
                    self._unsynced_count = 0
            finally:
                file.close()
            self._end_bytes += len(entries)

    def renew(self, folder: Folder) -> None:
        """Write the records anew, for what the journal has by now. Raises OSError."""
        with self._lock:
            self._lay_down(folder)

    def _is_there(self, folder: Folder) -> bool:
        there = folder.stat(parcels_path(self._roll_id))
        return there is not None and there.size_bytes >= (self._end_bytes or 0)

    def _lay_down(self, folder: Folder) -> None:
        """Write both records anew: durable, the folders above them, too."""
        entries = parcel_entries(self._known())
        folder.make_folders(incoming_of(self._roll_id))
        folder.replace_file(parcels_path(self._roll_id), entries)
        record = RollRecord(self._inventory, self.peer())
        folder.replace_file(inventory_path(self._roll_id), roll_record(record))
        path = incoming_of(self._roll_id)
        while path:
            path = folder_of(path)
            folder.sync_folder(path)
        self._end_bytes = len(entries)


def find_parcels(folder: Folder, inventory: Inventory, plan: ParcelPlan) -> dict[int, bytes]:
    """Return the parcels that are noted as durable, with their digests. Raises OSError."""
    found = find_roll(folder, inventory.roll_id)
    if found is None or found.inventory.files != inventory.files:
        return {}  # cut from other evidence, its parcels are others
    try:
        data = folder.read_file(parcels_path(inventory.roll_id), bytes_max=RECORD_BYTES_MAX)
    except FileNotFoundError:
        return {}
    return read_parcel_entries(data, plan)


def find_roll(folder: Folder, roll_id: str) -> RollRecord | None:
    """Return what is noted of an unfinished roll, None if nothing is. Raises OSError."""
    path = inventory_path(roll_id)
    data = _data(folder, path)
    try:
        return None if data is None else read_roll_record(data, roll_id)
    except RecordError as error:
        _keep_aside(folder, path, error)
        return None


def find_published(folder: Folder, roll_id: str) -> PublishedRecord | None:
    """Return what is noted of a published roll, None if nothing is. Raises OSError."""
    path = published_path(roll_id)
    data = _data(folder, path)
    try:
        return None if data is None else read_published_record(data, roll_id)
    except RecordError as error:
        _keep_aside(folder, path, error)
        return None


def note_published(folder: Folder, record: PublishedRecord) -> None:
    """Write the record of a roll that is about to be published, durably. Raises OSError."""
    folder.make_folders(ROLLS)
    forget_put_away(folder, record.inventory.roll_id)
    folder.replace_file(published_path(record.inventory.roll_id), published_record(record))
    folder.sync_folder(folder_of(ROLLS))


def is_published(folder: Folder, inventory: Inventory) -> bool:
    """Tell whether the rename into DAY/ROLL has happened; what is there is still to be compared."""
    if folder.stat(media_root(inventory.roll_id)) is not None:
        return False
    return folder.stat(target_of(inventory)) is not None


def disown(folder: Folder, roll_id: str) -> None:
    """Take back the records of an unfinished roll that is given up. Raises OSError.

    Also that of a publication which did not come about, or of an earlier one that is gone: else a
    box without a journal would miss what nobody waits for.
    """
    record = find_published(folder, roll_id)
    if record is not None and not is_published(folder, record.inventory):
        folder.remove_file(published_path(roll_id))
        folder.sync_folder(ROLLS)
    with suppress(FileNotFoundError):
        folder.remove_file(inventory_path(roll_id))
        folder.sync_folder(incoming_of(roll_id))


def note_told(folder: Folder, roll_id: str) -> None:
    """Note that everybody who wants to know was told of a published roll. Raises OSError."""
    with suppress(FileExistsError):
        folder.make_new_file(f"{published_path(roll_id)}{TOLD}", b"")
        folder.sync_folder(ROLLS)


def is_told(folder: Folder, roll_id: str) -> bool:
    """Tell whether note_told() was called for it."""
    return folder.stat(f"{published_path(roll_id)}{TOLD}") is not None


def note_put_away(folder: Folder, roll_id: str) -> None:
    """Note that a person put a published roll away for good. Raises OSError."""
    with suppress(FileExistsError):
        folder.make_new_file(f"{published_path(roll_id)}{PUT_AWAY}", b"")
        folder.sync_folder(ROLLS)


def forget_put_away(folder: Folder, roll_id: str) -> None:
    """Take back what note_put_away() noted: the roll comes again, or is there. Raises OSError."""
    with suppress(FileNotFoundError):
        folder.remove_file(f"{published_path(roll_id)}{PUT_AWAY}")
        folder.sync_folder(ROLLS)


def is_put_away(folder: Folder, roll_id: str) -> bool:
    """Tell whether note_put_away() was called for it, and it did not come again since."""
    return folder.stat(f"{published_path(roll_id)}{PUT_AWAY}") is not None


def _data(folder: Folder, path: str) -> bytes | None:
    there = folder.stat(path)
    if there is None or there.kind is not EntryKind.FILE:
        return None
    if there.size_bytes > RECORD_BYTES_MAX:
        _keep_aside(folder, path, RecordError(f"it has {there.size_bytes} bytes"))
        return None
    return folder.read_file(path, bytes_max=RECORD_BYTES_MAX)


def _keep_aside(folder: Folder, path: str, error: RecordError) -> None:
    """Rename a record that is not ours, so that it is there for a person and read no more."""
    target, count = f"{path}{ASIDE}", 1
    while folder.stat(target) is not None:
        count += 1
        target = f"{path}{ASIDE}-{count}"
    folder.rename_new(path, target)
    log.warning(
        "The storage's record %s is not believed: %s. It is kept as %s.", path, error, target
    )
