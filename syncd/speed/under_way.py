"""What comes before any measuring: rolls that are on their way, and cards that are being offloaded.

Owns: the sentence that says what that is just now. Must not: wait for it, or stop it.
All of it blocks shortly: call it aside.
"""

from collections.abc import Callable
from itertools import islice

from syncd.journal import looks, rolls
from syncd.journal.journal import Journal
from syncd.journal.rolls import Origin, RollRow
from syncd.limits import SPEED_WALK_ENTRIES_MAX
from syncd.ports import Clock, Disk
from syncd.roll.stages import Stage
from syncd.speed.source import entries_below

WRITTEN_WITHIN_S = 10.0
REMEDY = "Rolls come first: measure when they are ready, or `syncd pause`, measure, and `syncd go`."


def rolls_to_send(journal: Journal) -> str:
    """Say which roll of the landing goes now, or would if it could; "" if none does."""
    with journal.read() as db:
        if rolls.is_all_paused(db):
            return ""
        rows = [row for row in rolls.unfinished(db, Origin.LANDING) if not row.paused]
    return _first(rows, (Stage.VERIFIED, Stage.MOVING, Stage.READING_BACK))


def card_offloaded(journal: Journal, disk: Disk, clock: Clock) -> str:
    """Say which roll on the landing is still being written, as its files' times tell."""
    with journal.read() as db:
        rows = looks.arriving(db)
    since_ns = int((clock.utc_ms() / 1000 - WRITTEN_WITHIN_S) * 1e9)
    for row in rows:
        if row.source_path and _is_written(disk, row.source_path, since_ns):
            return f"{row.day}/{row.name} is being offloaded."
    return ""


def rolls_taken(journal: Journal, asker: str, is_heard: Callable[[str], bool]) -> str:
    """Say which roll this storage takes from another box than asker, or reads back; "" if none.

    The asker knows of its own whether they are paused; of a box that is away, nothing comes.
    """

    def comes_now(row: RollRow) -> bool:
        is_others = row.peer is not None and row.peer != asker and is_heard(row.peer)
        return row.stage is Stage.READING_BACK or is_others

    with journal.read() as db:
        rows = [row for row in rolls.unfinished(db, Origin.PEER) if comes_now(row)]
    return _first(rows, (Stage.MOVING, Stage.READING_BACK))


def _first(rows: list[RollRow], stages: tuple[Stage, ...]) -> str:
    for row in rows:
        if row.held is None and row.stage in stages:
            return f"{row.day}/{row.name} is on its way."
    return ""


def _is_written(disk: Disk, source_path: str, since_ns: int) -> bool:
    try:
        folder = disk.open_folder(source_path)
    except OSError:
        return False
    try:
        entries = islice(entries_below(folder), SPEED_WALK_ENTRIES_MAX)
        return any(max(each.mtime_ns, each.changed_ns) >= since_ns for _, each in entries)
    except OSError:
        return False
    finally:
        folder.close()
