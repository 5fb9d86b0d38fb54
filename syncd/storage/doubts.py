"""What somebody else did to a roll's incoming folder: files changed or gone behind our back.

Owns: that nothing which was touched after its proof is trusted, and what is gone comes again.
Must not: compare bytes; proving.py does, once more.
"""

from collections.abc import Collection, Sequence

from syncd.errors import HeldError
from syncd.journal.journal import Journal
from syncd.ports import EntryKind, Folder
from syncd.roll.stages import HeldCode
from syncd.storage.layout import stored_path, target_of
from syncd.storage.outcomes import record_doubts, record_lost
from syncd.storage.receiving import ReceivingRoll

DOUBTS_MAX = 3  # a file that changes after each proof is somebody's, not the storage's, doing


def read_back_again(
    journal: Journal,
    roll: ReceivingRoll,
    files: Sequence[int],
    touched: Collection[int],
    *,
    now_utc_ms: int,
) -> None:
    """Void the proofs of files that changed after them, and set their times right.

    In this order: with its time set first, a crash would leave a changed file that looks proved.
    touched: those of them that only show another change time; they are never held for that.
    Raises OSError, HeldError; read-back-mismatch if another one changes again and again.
    """
    record_doubts(journal, roll, files, now_utc_ms=now_utc_ms)
    folder = roll.area.present()
    for index in files:
        if index not in touched:
            _set_time(folder, roll, index)
    roll.times_touched.update(touched)
    roll.times_doubted.update(index for index in files if index not in touched)
    restless = [index for index in files if roll.times_doubted[index] > DOUBTS_MAX]
    if restless:
        roll.times_doubted.clear()
        raise _restless(roll, roll.inventory.files[restless[0]].path)


def _set_time(folder: Folder, roll: ReceivingRoll, index: int) -> None:
    """Set a file's time, and remember what the storage makes of it."""
    roll.times_kept.pop(index, None)
    entry = roll.inventory.files[index]
    path = stored_path(roll.roll_id, entry)
    there = folder.stat(path)
    if there is None:
        # Reading back is to find that, and not what an open folder, moved away, still leads to.
        roll.area.reopen()
        roll.forget_folders()
        return
    if there.kind is not EntryKind.FILE:
        folder.remove_file(path)
        return
    file = folder.open_write(path, create=False)
    try:
        file.set_mtime(entry.mtime_ns)
        roll.times_kept[index] = file.stat().mtime_ns
    finally:
        file.close()


def _restless(roll: ReceivingRoll, path: str) -> HeldError:
    return HeldError(
        HeldCode.READ_BACK_MISMATCH,
        f"{target_of(roll.inventory)}: {path} changes on the storage each time after it was read "
        "back.",
        remedy="Find out who else writes to .syncd on it, then `syncd go` the roll.",
        path=path,
    )


def find_lost(journal: Journal, roll: ReceivingRoll, *, now_utc_ms: int) -> bool:
    """Have what is gone from a storage that is there sent again; tell whether anything was.

    Raises HeldError(storage-absent).
    """
    roll.area.present()
    numbers, files = roll.gone()
    if not numbers:
        return False
    # Folders may have been moved away, so that what is open writes where nobody looks.
    roll.area.reopen()
    roll.forget_folders()
    record_lost(journal, roll, numbers, files, now_utc_ms=now_utc_ms)
    return True
