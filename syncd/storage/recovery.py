"""What a stop left of a roll on the storage: published after all, or parcels the journal lacks.

Owns: finding both, as plain functions that block; safe to repeat. Must not: decide when to look, or
publish or remove anything; steps.py does.
"""

from syncd.errors import HeldError
from syncd.journal import parcels, rolls
from syncd.journal.journal import Journal
from syncd.ports import Clock
from syncd.roll.inventory import FileEntry, Inventory
from syncd.roll.parcels import ParcelPlan
from syncd.roll.stages import HeldCode
from syncd.storage.area import Area
from syncd.storage.layout import target_of
from syncd.storage.papers import find_parcels
from syncd.storage.publishing import recover_publish
from syncd.storage.standing import find_doubtful, known_times, read_again
from syncd.storage.troubles import storage_trouble


def recover(area: Area, journal: Journal, inventory: Inventory) -> tuple[FileEntry, ...] | None:
    """Find a roll that was published just before a stop, and look whether it is as proved.

    A file that was changed since, as its change time tells, is read again. One whose change time
    the journal lacks (it is older than the proofs) is read when the roll is next offered.
    Raises OSError, HeldError; read-back-mismatch if a file is wrong.
    """
    sealed = recover_publish(area, journal, inventory)
    if sealed is not None:
        with journal.read() as db:
            times = parcels.change_times(db, inventory.roll_id)
        known = known_times(inventory, times)
        try:
            doubtful = find_doubtful(area, inventory, known) or ()
            touched = [entry for entry in doubtful if entry.path in known]
            read_again(area, inventory.roll_id, inventory, touched)
        except HeldError as error:
            if error.code is HeldCode.READ_BACK_MISMATCH:
                raise _not_told_yet(area, inventory, error) from error
            raise
    return sealed


def _not_told_yet(area: Area, inventory: Inventory, error: HeldError) -> HeldError:
    """Say what to do about a roll of which nobody was told yet that it is published.

    It is on its way still: once its folder is away, it arrives anew as it is let go on.
    """
    target = target_of(inventory)
    remedy = (
        f"Bring the file back from another copy, or move {target} away on the storage, so that "
        f"the roll arrives anew; then `syncd go {target}` on {area.box}. Do not clear the card."
    )
    return HeldError(error.code, error.problem, remedy=remedy, path=error.path)


def recall_parcels(area: Area, journal: Journal, clock: Clock, inventory: Inventory) -> None:
    """Take from the storage what came in before, if the journal knows nothing of it.

    Not where the journal knows better: what it had sent again is lacking, whatever was noted.
    """
    roll_id = inventory.roll_id
    with journal.read() as db:
        if parcels.is_begun(db, roll_id):
            return
    try:
        noted = find_parcels(area.present(), inventory, ParcelPlan(inventory))
    except OSError as error:
        raise storage_trouble(area.path, error) from error
    if not noted:
        return
    text = "what came in before is known from the storage's own record; it is read back"
    with journal.write() as db:
        parcels.record_durable(db, roll_id, noted)
        rolls.note(db, roll_id, text, now_utc_ms=clock.utc_ms())
