"""From a state folder to an open journal, whatever became of the file in the meantime.

Owns: telling a broken, lost or foreign journal from one that is only not to be had; keeping what is
broken or another box's aside under a name with the time; the note that says so until a person puts
it away.
Must not: delete anything, or move a journal that another process uses or that may not be read.

What is known of rolls is rebuilt by whoever sees them: the landing by its scan, the storage by
storage/adopting.py.
"""

import logging
from dataclasses import dataclass
from pathlib import Path

from syncd.errors import ConfigError, raise_if_disk_trouble
from syncd.journal import failures, notices, schema
from syncd.journal.health import Finding, Health, examine
from syncd.journal.journal import Journal
from syncd.moments import rfc3339
from syncd.ports import EntryKind, Folder

log = logging.getLogger(__name__)

NAME = "journal.sqlite"
BEGAN_NAME = "journal.began"  # beside it: this box has had a journal, and which
NOTICE_KIND = "journal"
_TRIED_NAME = "tried"
_BESIDE = ("", "-wal", "-shm")
_BEGAN = "syncd made its journal here. If the journal is missing, it was lost.\njournal {}\n"
_BEGAN_BYTES_MAX = 1024
_NOT_REBUILT = (
    "What cannot be rebuilt: ranks and times set by hand, pauses, which rolls had been fetched, "
    "the history of each roll, and rolls that are no longer on the landing nor on the storage."
)
_FOREIGN = (
    "The journal {} belongs to another box: to {}, and this one is {} (see `syncd peers`). Find "
    "out who put it there. If the other box misses it, stop syncd there, and move what was kept "
    "into its state folder, under the old names."
)
_NEW_KEYS = (
    "The journal {} is this box's own, but the keys are others than before: they were {} and are "
    "{}. Other boxes may not trust the new ones yet. If you have the old ones, stop syncd and put "
    "them back; else write the new fingerprint into the [[peer]] of this box on every other box. "
    "Ranks, pauses and history stay."
)


@dataclass(frozen=True, slots=True)
class Mishap:
    """What happened to the journal: a sentence, and the names under which files were kept."""

    what: str
    kept: tuple[str, ...] = ()
    is_new: bool = True


def open_journal(
    state: Path,
    folder: Folder,
    *,
    box: str,
    file_system: str = "",
    now_utc_ms: int,
    journal_id: str = "",
) -> Journal:
    """Open the journal in the state folder, a new one if it is broken, lost or another box's.

    folder: the same folder, open. box: the fingerprint of this box.
    Raises ConfigError, and then nothing was moved or changed; StateDiskError if the disk is full
    or fails: the same may work later.
    """
    path = state / NAME
    try:
        mishap = _put_right(path, folder, box, now_utc_ms)
        journal = Journal(path, file_system=file_system, journal_id=journal_id, box=box)
    except ConfigError:
        # Where no file can be made for want of room, SQLite only says that it cannot open one.
        _try_to_write(state, folder)
        raise
    try:
        if _began(folder) != journal.journal_id:
            folder.replace_file(BEGAN_NAME, _BEGAN.format(journal.journal_id).encode())
        folder.sync_folder()
        if mishap is not None:
            _say(journal, path, folder, mishap, now_utc_ms)
    except BaseException:
        journal.close()
        raise
    return journal


def notes_in(folder: Folder) -> list[str]:
    """Return the names of the notes about mishaps that lie in a state folder, oldest first."""
    names = [entry.name for entry in folder.scan()]
    return [name for name in names if name.startswith(f"{NAME}.") and name.endswith(".txt")]


def keep_aside(folder: Folder, word: str, now_utc_ms: int) -> tuple[str, ...]:
    """Rename what lies at the journal's place, with its -wal and -shm; return the new names."""
    kept = []
    base = _free_name(folder, word, now_utc_ms)
    for suffix in _BESIDE:
        if folder.stat(NAME + suffix) is not None:
            folder.rename_new(NAME + suffix, base + suffix)
            kept.append(base + suffix)
    folder.sync_folder()
    return tuple(kept)


def _began(folder: Folder) -> str:
    """Return what the journal is called that this state folder has had; "" if that is not known."""
    if folder.stat(BEGAN_NAME) is None:
        return ""
    text = folder.read_file(BEGAN_NAME, bytes_max=_BEGAN_BYTES_MAX).decode(errors="replace")
    named = [line for line in text.splitlines() if line.startswith("journal ")]
    return named[0].removeprefix("journal ") if named else ""


def _put_right(path: Path, folder: Folder, box: str, now_utc_ms: int) -> Mishap | None:
    """Make way for a new journal if there is none to go on with."""
    there = folder.stat(NAME)
    has_begun = folder.stat(BEGAN_NAME) is not None
    wal = folder.stat(f"{NAME}-wal")
    if there is None:
        if not has_begun and wal is None:
            return None
        kept = keep_aside(folder, "lost", now_utc_ms)
        return Mishap(f"The journal {path} is gone, and this box has worked before.", kept)
    if there.kind not in (EntryKind.FILE, EntryKind.LINK):
        kept = keep_aside(folder, "broken", now_utc_ms)
        return Mishap(f"In the place of the journal {path} was no file.", kept)
    if there.kind is EntryKind.FILE and there.size_bytes == 0 and has_begun and not _has(wal):
        kept = keep_aside(folder, "broken", now_utc_ms)
        return Mishap(f"The journal {path} is empty.", kept)
    return _judge(path, folder, box, is_wal_there=wal is not None, now_utc_ms=now_utc_ms)


def _is_another_boxs(path: Path, folder: Folder, finding: Finding, box: str) -> bool:
    """Tell whether the journal is known to belong to another box.

    A box is known by its key, because it may be renamed. With a new key it is still known by what
    its journal is called, which stands beside it.
    """
    if finding.box in ("", box):
        return False
    if finding.journal_id == _began(folder):
        log.warning("%s", _NEW_KEYS.format(path, finding.box, box))
        return False
    return True


def _try_to_write(state: Path, folder: Folder) -> None:
    """Raise StateDiskError if the disk has no room for a small file, or fails."""
    try:
        folder.replace_file(_TRIED_NAME, b"tried")
        folder.remove_file(_TRIED_NAME)
    except OSError as error:
        raise_if_disk_trouble(state, error)  # anything else has been said better


def _has(wal: object) -> bool:
    return wal is not None and getattr(wal, "size_bytes", 0) > 0


def _judge(
    path: Path, folder: Folder, box: str, *, is_wal_there: bool, now_utc_ms: int
) -> Mishap | None:
    finding = examine(path)
    wal_kept: tuple[str, ...] = ()
    if finding.health is Health.FOREIGN_WAL:
        # Whose the file is cannot be asked while another's -wal file lies beside it.
        wal_kept = _keep_wal_aside(folder, now_utc_ms)
        finding = examine(path)
    match finding.health:
        case Health.NEWER:
            raise failures.too_new(str(path), finding.version, len(schema.MIGRATIONS))
        case Health.KEPT_OUT:
            assert finding.error is not None, "what kept us out says so"
            raise failures.cannot_open(str(path), finding.error)
        case Health.BROKEN:
            kept = keep_aside(folder, "broken", now_utc_ms)
            return Mishap(f"The journal {path} is damaged: {finding.text}.", wal_kept + kept)
    if _is_another_boxs(path, folder, finding, box):
        kept = keep_aside(folder, "foreign", now_utc_ms)
        return Mishap(_FOREIGN.format(path, finding.box, box), wal_kept + kept)
    if wal_kept:
        what = f"Beside the journal {path} lay the -wal file of another journal."
        return Mishap(what, wal_kept, is_new=False)
    if finding.in_use and not is_wal_there:
        what = f"The -wal file of the journal {path} is gone, and with it what was last written."
        return Mishap(what, is_new=False)
    return None


def _keep_wal_aside(folder: Folder, now_utc_ms: int) -> tuple[str, ...]:
    base = _free_name(folder, "foreign", now_utc_ms)
    kept = []
    for suffix in ("-wal", "-shm"):
        if folder.stat(NAME + suffix) is not None:
            folder.rename_new(NAME + suffix, base + suffix)
            kept.append(base + suffix)
    folder.sync_folder()
    return tuple(kept)


def _free_name(folder: Folder, word: str, now_utc_ms: int) -> str:
    """Return a name with the time under which nothing lies yet."""
    stamp = rfc3339(now_utc_ms).partition(".")[0].replace("-", "").replace(":", "")
    taken = {entry.name for entry in folder.scan()}
    name = base = f"{NAME}.{word}-{stamp}Z"
    count = 1
    while any(name + suffix in taken for suffix in (*_BESIDE, ".txt")):
        count += 1
        name = f"{base}-{count}"
    return name


def _say(journal: Journal, path: Path, folder: Folder, mishap: Mishap, now_utc_ms: int) -> None:
    """Say what happened on stderr, in the events, and in a note that stays."""
    done = (
        "A new journal was begun; rolls on the landing are looked at anew, and what is on the "
        f"storage is proved by reading it and not asked for again. {_NOT_REBUILT}"
        if mishap.is_new
        else "syncd goes on with the journal as it is without that file; what it does not know is "
        "taken from the landing and the storage."
    )
    kept = f" Kept: {', '.join(mishap.kept)}." if mishap.kept else ""
    text = f"{mishap.what}{kept} {done}"
    log.error("%s", text)
    with journal.write() as db:
        if mishap.is_new:
            # Who comes back with a number of the lost journal's events is told to begin anew.
            notices.begin_above(db, now_utc_ms // 1000)
        data = {"path": str(path), "kept": list(mishap.kept)}
        notices.add(db, None, NOTICE_KIND, now_utc_ms=now_utc_ms, note=text, data=data)
    leave_note(folder, text, now_utc_ms)


def leave_note(folder: Folder, text: str, now_utc_ms: int) -> None:
    """Leave a note in the state folder; `syncd check` shows it until a person puts it away."""
    name = _free_name(folder, "note", now_utc_ms)
    folder.make_new_file(f"{name}.txt", f"{rfc3339(now_utc_ms)} {text}\n".encode())
    folder.sync_folder()


def state_error(state: Path, error: OSError) -> ConfigError:
    """Say that the state folder cannot be used. Raises StateDiskError if that is its disk."""
    raise_if_disk_trouble(state, error)
    return ConfigError(
        f"The state folder {state} cannot be made or opened: {error.strerror}.",
        remedy="Make it and give it to the user that runs syncd, or change node.state.",
    )
