"""The last look before a roll is published: whether the same content was meanwhile (promise 7).

Owns: the answer, by names, sizes and the digests that both were proved with; what these leave open
is read. Must not: change anything.

Two offers of one content under two names, or with other evidence, may both be under way: which they
are is only certain once both are proved.
"""

from dataclasses import replace

from syncd.errors import HeldError
from syncd.journal import parcels, rolls, same
from syncd.journal.journal import Connection, Journal
from syncd.journal.rolls import Origin, RollRow
from syncd.roll.digests import Digest
from syncd.roll.inventory import FileEntry, Inventory, may_be_same_media, media_by_path
from syncd.roll.stages import HeldCode, Stage
from syncd.storage.area import Area
from syncd.storage.layout import target_of
from syncd.storage.reading import hash_stored
from syncd.storage.standing import find_doubtful, known_times
from syncd.storage.troubles import storage_trouble

_NOT_THE_SAME = frozenset({HeldCode.READ_BACK_MISMATCH, HeldCode.NAME_TAKEN})


def find_same(area: Area, journal: Journal, inventory: Inventory) -> RollRow | None:
    """Return the roll as which a roll that is proved was published already; None if it was not.

    Raises HeldError if the storage is absent or fails.
    """
    roll_id = inventory.roll_id
    with journal.read() as db:
        row = rolls.get(db, roll_id)
        if row is None or row.origin is not Origin.PEER:
            return None  # what is fetched was asked for by its id
        others = [other for other in same.published_like(db, inventory) if other.roll_id != roll_id]
        mine = _as_proved(db, inventory) if others else inventory
    return next((other for other in others if _is_there(area, journal, other, mine)), None)


def _is_there(area: Area, journal: Journal, other: RollRow, mine: Inventory) -> bool:
    """Tell whether a published roll has the content of mine, and lies there as it was proved."""
    with journal.read() as db:
        theirs = _as_proved(db, rolls.load_inventory(db, other.roll_id))
        known = known_times(theirs, parcels.change_times(db, other.roll_id))
    if not may_be_same_media(mine, theirs):
        return False
    try:
        doubtful = find_doubtful(area, theirs, known)
    except HeldError as error:
        if error.code in _NOT_THE_SAME:
            return False
        raise
    if doubtful is None:  # a person took it away
        return False
    unsure = {entry.path for entry in doubtful}
    is_well = other.held is None and other.stage is not Stage.LANDED
    proved = media_by_path(theirs)
    for path, entry in media_by_path(mine).items():
        is_known = is_well and path not in unsure and _common(entry, proved[path])
        if not is_known and not _is_read_so(area, f"{target_of(theirs)}/{path}", entry):
            return False
    return True


def _as_proved(db: Connection, inventory: Inventory) -> Inventory:
    """Return the inventory with all digests that its files were proved with."""
    proofs = parcels.proofs(db, inventory.roll_id)
    files = tuple(
        replace(entry, digests=_merged(entry.digests, proofs[index].digests))
        if index in proofs
        else entry
        for index, entry in enumerate(inventory.files)
    )
    return replace(inventory, files=files)


def _merged(said: tuple[Digest, ...], proved: tuple[Digest, ...]) -> tuple[Digest, ...]:
    return (*said, *(digest for digest in proved if digest not in said))


def _common(one: FileEntry, other: FileEntry) -> bool:
    """Tell whether two files that do not contradict each other have a digest in common."""
    return any(digest in other.digests for digest in one.digests)


def _is_read_so(area: Area, path: str, entry: FileEntry) -> bool:
    algorithms = [digest.algorithm for digest in entry.digests]
    try:
        found = hash_stored(area.disk, area.present(), path, algorithms, past_cache=True)
    except FileNotFoundError:
        return False
    except OSError as error:
        raise storage_trouble(area.path, error) from error
    return bool(algorithms) and found == entry.digests
