"""Publishing: one atomic rename into DAY/ROLL, and telling after a crash whether it happened.

Owns: promise 1 and 2 at their last step: the path is absent before and complete after, and what
is there already is never touched. Must not: seal or prove; it only moves what is.
"""

import json
from collections.abc import Sequence
from contextlib import suppress
from typing import Any

from syncd.journal import rolls
from syncd.journal.journal import Journal
from syncd.ports import Folder
from syncd.roll.digests import Algorithm, Digest
from syncd.roll.inventory import FileEntry, FileKind, Inventory
from syncd.storage.area import Area
from syncd.storage.days import using_day
from syncd.storage.layout import folder_of, incoming_of, media_root, target_of
from syncd.storage.papers import find_published, note_published
from syncd.storage.reading import hash_stored
from syncd.storage.records import PublishedRecord
from syncd.storage.taken import name_taken, refuse_twin_there


def publish(area: Area, journal: Journal, record: PublishedRecord) -> None:
    """Make a sealed roll appear as DAY/ROLL. Raises OSError, HeldError(name-taken, name-unsafe).

    Raises HeldError(storage-error) if the folder of its day cannot be used.
    The intent is journalled before, so that recover_publish() can tell how far it got; and noted
    on the storage, so that a box without that journal can, too.
    """
    folder = area.present()
    inventory, sealed = record.inventory, record.evidence
    roll_id, target = inventory.roll_id, target_of(inventory)
    with using_day(area.path, folder, inventory.day):
        if folder.stat(target) is not None:
            raise name_taken(folder, inventory)
        refuse_twin_there(folder, inventory, is_here=True)
        if inventory.day:
            folder.make_folders(inventory.day)
            folder.sync_folder()
    note_published(folder, record)
    with journal.write() as db:
        rolls.set_publish_intent(db, roll_id, _intent(target, sealed))
    try:
        with using_day(area.path, folder, inventory.day):
            folder.rename_new(media_root(roll_id), target)
    except FileExistsError as error:
        with journal.write() as db:
            rolls.set_publish_intent(db, roll_id, None)
        raise name_taken(folder, inventory) from error
    _sync_parents(folder, roll_id, target)


def recover_publish(
    area: Area, journal: Journal, inventory: Inventory
) -> tuple[FileEntry, ...] | None:
    """Return the sealed evidence if the roll was published just before a stop, else None.

    None: nothing was renamed; sealing and publishing are to be done again.
    Raises OSError, HeldError(storage-absent), HeldError(name-taken) if something else is there.
    """
    with journal.read() as db:
        text = rolls.publish_intent(db, inventory.roll_id)
    folder = area.present()
    target = target_of(inventory)
    if folder.stat(media_root(inventory.roll_id)) is not None or folder.stat(target) is None:
        return None
    sealed = _noted(folder, inventory) if text is None else _read_intent(text)
    if sealed is None:
        return None
    if not _is_ours(area, folder, target, inventory, sealed):
        if text is None:
            return None
        raise name_taken(folder, inventory)
    _sync_parents(folder, inventory.roll_id, target)
    return sealed


def _noted(folder: Folder, inventory: Inventory) -> tuple[FileEntry, ...] | None:
    """Return the evidence that the storage's own record names, for a journal that lacks it."""
    record = find_published(folder, inventory.roll_id)
    if record is None or target_of(record.inventory) != target_of(inventory):
        return None
    return record.evidence


def discard_incoming(folder: Folder, roll_id: str) -> None:
    """Remove what is left of a roll's incoming folder; never under the published tree."""
    folder.remove_tree(incoming_of(roll_id))


def _sync_parents(folder: Folder, roll_id: str, target: str) -> None:
    folder.sync_folder(folder_of(target))
    # The rename is durable only once both folders are; the old one may be gone by now.
    with suppress(FileNotFoundError):
        folder.sync_folder(incoming_of(roll_id))


def _is_ours(
    area: Area,
    folder: Folder,
    target: str,
    inventory: Inventory,
    sealed: Sequence[FileEntry],
) -> bool:
    """Tell whether target is what was sealed: its newest evidence, and the sizes of all media."""
    for entry in sealed[-2:]:
        path = f"{target}/{entry.path}"
        algorithms = [digest.algorithm for digest in entry.digests]
        try:
            found = hash_stored(area.disk, folder, path, algorithms, past_cache=True)
        except FileNotFoundError:
            return False
        if found != entry.digests:
            return False
    for entry in inventory.files:
        if entry.kind is FileKind.MEDIA:
            there = folder.stat(f"{target}/{entry.path}")
            if there is None or there.size_bytes != entry.size_bytes:
                return False
    return True


def _intent(target: str, sealed: Sequence[FileEntry]) -> str:
    files = [
        [e.path, e.size_bytes, e.mtime_ns, [[d.algorithm.value, d.value.hex()] for d in e.digests]]
        for e in sealed
    ]
    return json.dumps({"target": target, "evidence": files})


def _read_intent(text: str) -> tuple[FileEntry, ...]:
    plain: dict[str, Any] = json.loads(text)
    return tuple(
        FileEntry(
            path,
            size,
            mtime,
            tuple(Digest(Algorithm(name), bytes.fromhex(value)) for name, value in digests),
            FileKind.EVIDENCE,
        )
        for path, size, mtime, digests in plain["evidence"]
    )
